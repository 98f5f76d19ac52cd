//! What the demultiplexer is shown of a file.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

use super::sniff::Kind;
use super::{caf, edits, matroska};

/// A file, perhaps with another start than its own.
pub(super) struct Media {
    file: File,
    head: Vec<u8>,
    /// Where the file goes on after `head`.
    from: u64,
    /// How many bytes of the file follow `head`.
    bytes: u64,
    /// Whether it has an end and may be sought in. It is shown as a stream without an end if
    /// it is cut off: demultiplexers refuse a file that is shorter than its outermost box says
    /// or whose index is missing, while we want its first part. So is an Ogg file: in a chain
    /// the demultiplexer looks for the ends of its streams, for seeking, and miscounts.
    seekable: bool,
    at: u64,
}

impl Media {
    /// The whole of `file`, tidied if its kind needs that.
    pub(super) fn new(mut file: File, kind: Kind) -> std::io::Result<Self> {
        let all = file.metadata()?.len();
        let tidied = match kind {
            Kind::Caf => caf::tidy(&mut BufReader::new(&file), all),
            _ => None,
        };
        let (head, from, bytes) =
            tidied.map_or((Vec::new(), 0, all), |t| (t.head, t.data_at, t.data_bytes));
        let promised = match kind {
            Kind::IsoMedia => edits::promised_bytes(&mut BufReader::new(&file)),
            Kind::Matroska => matroska::promised_bytes(&file),
            _ => None,
        };
        let seekable = kind != Kind::Ogg && promised.is_none_or(|promised| promised <= all);
        file.rewind()?;
        Ok(Media { file, head, from, bytes, seekable, at: 0 })
    }

    fn len(&self) -> u64 {
        self.head.len() as u64 + self.bytes
    }
}

impl Read for Media {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let in_head = usize::try_from(self.at).ok().and_then(|at| self.head.get(at..));
        let read = match in_head {
            Some(mut head) if !head.is_empty() => {
                let read = head.read(buffer)?;
                if read == self.head.len() - self.at as usize {
                    self.file.seek(SeekFrom::Start(self.from))?;
                }
                read
            }
            _ => {
                let left =
                    usize::try_from(self.len().saturating_sub(self.at)).unwrap_or(usize::MAX);
                let take = buffer.len().min(left);
                self.file.read(&mut buffer[..take])?
            }
        };
        self.at += read as u64;
        Ok(read)
    }
}

impl Seek for Media {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => self.len().checked_add_signed(by),
        };
        // Beyond what a file can have lies beyond its end as well, without being an error.
        self.at = at.ok_or(std::io::ErrorKind::InvalidInput)?.min(i64::MAX as u64 / 2);
        let past_head = self.at.saturating_sub(self.head.len() as u64);
        self.file.seek(SeekFrom::Start(self.from + past_head))?;
        Ok(self.at)
    }
}

impl MediaSource for Media {
    fn is_seekable(&self) -> bool {
        self.seekable
    }

    fn byte_len(&self) -> Option<u64> {
        self.seekable.then(|| self.len())
    }
}
