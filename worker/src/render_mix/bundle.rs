//! All deliverables in one archive.

use jiff::Timestamp;
use jiff::tz::Offset;
use std::io::{self, Read, Write};
use zip::write::{FullFileOptions, ZipWriter};
use zip::{CompressionMethod, DateTime};

/// Extra field that says a file's time in seconds since 1970, of which only the last change is
/// given (Info-ZIP, "extended timestamp").
const EXTENDED_TIMESTAMP: u16 = 0x5455;
const LAST_CHANGE_ALONE: u8 = 1;

/// Writes a zip archive as a stream, without seeking and in bounded memory: entries are stored
/// (sound does not shrink) with zip64 lengths, so no entry and no archive is too large. All are
/// dated `made_at_us` (microseconds since 1970), so the same files give the same archive whenever
/// it is made.
///
/// # Errors
/// Whatever reading an entry or writing the archive gives.
pub fn write_bundle<R: Read>(
    entries: impl IntoIterator<Item = io::Result<(String, R)>>,
    made_at_us: i64,
    out: impl Write,
) -> io::Result<()> {
    let mut archive = ZipWriter::new_stream(out);
    let options = dated(made_at_us)?;
    for entry in entries {
        let (name, mut input) = entry?;
        archive.start_file(name, options.clone())?;
        io::copy(&mut input, &mut archive)?;
    }
    archive.finish()?.flush()
}

/// Stored, as large as may be, of that time. The format's own time is one of the clock on the
/// wall without its zone, to two seconds: it is given in UTC, and beside it the instant.
fn dated(made_at_us: i64) -> io::Result<FullFileOptions<'static, 'static>> {
    let at = Timestamp::from_microsecond(made_at_us).unwrap_or(Timestamp::UNIX_EPOCH);
    let clock = Offset::UTC.to_datetime(at);
    let part = |number: i8| number.unsigned_abs();
    let (year, [month, day]) = (clock.year().unsigned_abs(), [clock.month(), clock.day()]);
    let [hour, minute, second] = [clock.hour(), clock.minute(), clock.second()].map(part);
    // What lies outside 1980 to 2107 cannot be said in it.
    let dos = DateTime::from_date_and_time(year, part(month), part(day), hour, minute, second);
    let mut options = FullFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .large_file(true)
        .last_modified_time(dos.unwrap_or_default());
    if let Ok(seconds) = u32::try_from(at.as_second()) {
        let field = [&[LAST_CHANGE_ALONE][..], &seconds.to_le_bytes()].concat();
        options.add_extra_field(EXTENDED_TIMESTAMP, field, false)?;
    }
    Ok(options)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// 2025-11-25 at 07:44:11 and a little, UTC.
    const MADE_AT_US: i64 = 1_764_056_651_123_456;

    #[test]
    fn a_bundle_opens_again() {
        let mut bytes = Vec::new();
        let entry = |name: &str, text: &'static [u8]| Ok((name.to_owned(), text));
        let entries = [entry("mix.wav", b"sound"), entry("groups/bells.wav", b"more")];
        write_bundle(entries, MADE_AT_US, &mut bytes).unwrap();
        let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
        let mut text = String::new();
        archive.by_name("groups/bells.wav").unwrap().read_to_string(&mut text).unwrap();
        assert_eq!((archive.len(), text.as_str()), (2, "more"));
    }

    #[test]
    fn every_entry_has_the_time_it_is_told() {
        let entries = ["mix.wav", "mix.flac"].map(|name| Ok((name.to_owned(), &b"sound"[..])));
        let mut bytes = Vec::new();
        write_bundle(entries, MADE_AT_US, &mut bytes).unwrap();
        let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
        assert_eq!(archive.len(), 2);
        for number in 0..2 {
            let entry = archive.by_index(number).unwrap();
            // The clock's time is kept in steps of two seconds.
            assert_eq!(entry.last_modified().unwrap().to_string(), "2025-11-25 07:44:10");
            let mut stamps = entry.extra_data_fields().filter_map(|field| match field {
                zip::ExtraField::ExtendedTimestamp(stamp) => stamp.mod_time(),
                _ => None,
            });
            assert_eq!(stamps.next(), Some(1_764_056_651));
        }
    }

    #[test]
    fn a_time_that_the_format_does_not_know_spoils_nothing() {
        for made_at_us in [i64::MIN, -1, 0, i64::MAX] {
            let mut bytes = Vec::new();
            let entry = Ok(("mix.wav".to_owned(), &b"sound"[..]));
            write_bundle([entry], made_at_us, &mut bytes).unwrap();
            assert!(zip::ZipArchive::new(std::io::Cursor::new(bytes)).is_ok(), "{made_at_us}");
        }
    }
}
