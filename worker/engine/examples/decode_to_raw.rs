//! Decodes a file to interleaved little-endian float32 and prints what is known of it as one
//! line of JSON. The reference checks drive the decoder through it.
//!
//! `decode_to_raw FILE [OUT] [--max-seconds S] [--repeat N]`

#![allow(clippy::print_stdout)]

use std::fs::File;
use std::io::{BufWriter, Write};
use std::process::ExitCode;
use std::time::Instant;

use ripieno_engine::decode::{DecodeError, Info, Limits, Note, Recording};

struct Arguments {
    file: String,
    out: Option<String>,
    max_decoded_s: f64,
    repeat: u32,
}

fn arguments() -> Option<Arguments> {
    let mut words = std::env::args().skip(1);
    let mut found = Arguments {
        file: words.next()?,
        out: None,
        max_decoded_s: Limits::default().max_decoded_s,
        repeat: 1,
    };
    while let Some(word) = words.next() {
        match word.as_str() {
            "--max-seconds" => found.max_decoded_s = words.next()?.parse().ok()?,
            "--repeat" => found.repeat = words.next()?.parse().ok()?,
            _ => found.out = Some(word),
        }
    }
    Some(found)
}

fn main() -> ExitCode {
    let Some(arguments) = arguments() else {
        println!("usage: decode_to_raw FILE [OUT] [--max-seconds S] [--repeat N]");
        return ExitCode::from(2);
    };
    let started = Instant::now();
    for _ in 1..arguments.repeat {
        let _ = decode(&arguments, None);
    }
    let result = decode(&arguments, arguments.out.as_deref());
    let wall_s = started.elapsed().as_secs_f64() / f64::from(arguments.repeat);
    match result {
        Ok((info, frames, notes)) => {
            println!("{}", account(&info, frames, &notes, wall_s));
            ExitCode::SUCCESS
        }
        Err(error) => {
            println!("{{\"error\": {:?}, \"says\": {:?}}}", error.to_string(), error.says());
            ExitCode::FAILURE
        }
    }
}

fn decode(arguments: &Arguments, out: Option<&str>) -> Result<(Info, u64, Vec<Note>), DecodeError> {
    let limits = Limits { max_decoded_s: arguments.max_decoded_s, ..Limits::default() };
    let mut stream = Recording::new(&arguments.file, limits).open()?;
    let info = stream.info().clone();
    let mut out = out.map(File::create).transpose()?.map(BufWriter::new);
    let mut frames = 0;
    while let Some(block) = stream.next_block()? {
        assert_eq!(block.first_frame, frames, "blocks follow one another");
        let length = block.channels[0].len();
        frames += length as u64;
        if let Some(out) = &mut out {
            for frame in 0..length {
                for channel in block.channels {
                    out.write_all(&channel[frame].to_le_bytes())?;
                }
            }
        }
    }
    if let Some(mut out) = out {
        out.flush()?;
    }
    Ok((info, frames, stream.notes().to_vec()))
}

fn account(info: &Info, frames: u64, notes: &[Note], wall_s: f64) -> String {
    let codes: Vec<_> = notes.iter().map(|n| format!("{:?}", n.code())).collect();
    let texts: Vec<_> = notes.iter().map(|n| format!("{:?}", format!("{n:?}"))).collect();
    let says: Vec<_> = notes.iter().map(|n| format!("{:?}", n.says())).collect();
    let Info { container, codec, sample_rate_hz, channels, trimmed_start_frames } = info;
    let times_real = frames as f64 / f64::from(*sample_rate_hz) / wall_s;
    format!(
        "{{\"container\": {container:?}, \"codec\": {codec:?}, \"sample_rate_hz\": \
         {sample_rate_hz}, \"channels\": {channels}, \"trimmed_start_frames\": \
         {trimmed_start_frames}, \"frames\": {frames}, \"notes\": [{}], \"note_texts\": [{}], \
         \"note_says\": [{}], \"times_real\": {times_real:.1}, \"peak_mib\": {:.1}}}",
        codes.join(", "),
        texts.join(", "),
        says.join(", "),
        peak_mib(),
    )
}

/// The most memory that this process held, as Linux counts it; 0 where that is not to be had.
fn peak_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.trim().split(' ').next()?.parse::<f64>().ok());
    kib.unwrap_or(0.0) / 1024.0
}
