//! Named positions in a WAV file: the `cue ` chunk and its labels (RIFF MCI, Microsoft 1991).

/// A named position, such as the start of a section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cue {
    /// The frame it stands before.
    pub at_frame: u64,
    /// Its name.
    pub label: String,
}

/// The `cue ` and `LIST adtl` chunks, headers and all. Positions past 2³² frames have no place
/// in the format and are left out.
pub(super) fn chunks(cues: &[Cue]) -> Vec<u8> {
    let placed: Vec<_> = cues
        .iter()
        .filter_map(|cue| Some((u32::try_from(cue.at_frame).ok()?, cue.label.as_str())))
        .collect();
    if placed.is_empty() {
        return Vec::new();
    }
    let mut points = (placed.len() as u32).to_le_bytes().to_vec();
    let mut labels = b"adtl".to_vec();
    for (id, (frame, label)) in (1u32..).zip(placed) {
        points.extend(id.to_le_bytes());
        points.extend(frame.to_le_bytes());
        points.extend(b"data");
        points.extend([0; 8]);
        points.extend(frame.to_le_bytes());
        let text: Vec<u8> = label.bytes().filter(|b| *b != 0).chain([0]).collect();
        put_chunk(&mut labels, b"labl", &[&id.to_le_bytes()[..], &text].concat());
    }
    let mut out = Vec::new();
    put_chunk(&mut out, b"cue ", &points);
    put_chunk(&mut out, b"LIST", &labels);
    out
}

/// Appends a chunk, padded to an even length.
pub(super) fn put_chunk(out: &mut Vec<u8>, id: &[u8; 4], content: &[u8]) {
    out.extend(id);
    out.extend((content.len() as u32).to_le_bytes());
    out.extend(content);
    if !content.len().is_multiple_of(2) {
        out.push(0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cue_has_a_point_and_a_label_of_the_same_number() {
        let cues = [Cue { at_frame: 0x0102, label: "Ebb".into() }];
        let bytes = chunks(&cues);
        assert_eq!(&bytes[..12], b"cue \x1c\0\0\0\x01\0\0\0");
        assert_eq!(&bytes[12..24], b"\x01\0\0\0\x02\x01\0\0data");
        assert_eq!(&bytes[32..36], b"\x02\x01\0\0");
        assert_eq!(&bytes[36..], b"LIST\x14\0\0\0adtllabl\x08\0\0\0\x01\0\0\0Ebb\0");
    }

    #[test]
    fn no_cues_no_chunks() {
        assert!(chunks(&[]).is_empty());
        assert!(chunks(&[Cue { at_frame: 1 << 32, label: "late".into() }]).is_empty());
    }
}
