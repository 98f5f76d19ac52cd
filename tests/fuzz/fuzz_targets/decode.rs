//! Any bytes at all: the decoder answers, and its blocks are well formed.

#![no_main]

use std::cell::RefCell;
use std::io::Write;

use libfuzzer_sys::fuzz_target;
use ripieno_engine::decode::{DecodeError, Limits, Recording};
use tempfile::NamedTempFile;

thread_local! {
    static FILE: RefCell<Option<NamedTempFile>> = const { RefCell::new(None) };
}

fuzz_target!(|bytes: &[u8]| {
    FILE.with_borrow_mut(|file| {
        let file = file.get_or_insert_with(|| NamedTempFile::new().expect("a temporary file"));
        std::fs::File::create(file.path()).and_then(|mut f| f.write_all(bytes)).expect("written");
        if let Err(DecodeError::Io(error)) = decode(file.path()) {
            panic!("blamed on the machine: {error}");
        }
    });
});

fn decode(path: &std::path::Path) -> Result<(), DecodeError> {
    let limits = Limits { max_decoded_s: 20.0, ..Limits::default() };
    let mut stream = Recording::new(path, limits).open()?;
    let channels = usize::from(stream.info().channels);
    let mut frames = 0;
    while let Some(block) = stream.next_block()? {
        assert_eq!((block.first_frame, block.channels.len()), (frames, channels));
        let length = block.channels[0].len();
        assert!(length > 0 && block.channels.iter().all(|c| c.len() == length));
        assert!(block.channels.iter().flatten().all(|x| x.is_finite()));
        frames += length as u64;
    }
    Ok(())
}
