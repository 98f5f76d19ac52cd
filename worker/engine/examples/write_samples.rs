//! Writes interleaved little-endian float32 samples as a file. The reference checks drive the
//! writers through it.
//!
//! `write_samples wav|flac|preview IN OUT [--rate HZ] [--channels N] [--bits 16|24|32]
//! [--dither SEED] [--block FRAMES] [--bext DESCRIPTION] [--time-reference SAMPLES]
//! [--lufs LUFS] [--cue FRAME:LABEL]… [--tag FIELD=VALUE]… [--rf64-above BYTES]
//! [--announce] [--bitrate BPS]`

#![allow(clippy::print_stdout)]

use std::collections::HashMap;
use std::error::Error;
use std::fs::File;

use ripieno_engine::write::{
    Bext, BextLoudness, Cue, FlacSpec, FlacWriter, PreviewSpec, PreviewWriter, SampleFormat,
    WavSpec, WavWriter, WriteError,
};

type Outcome<T> = Result<T, Box<dyn Error>>;

struct Arguments {
    plain: Vec<String>,
    options: HashMap<String, Vec<String>>,
}

impl Arguments {
    fn read() -> Self {
        let mut found = Arguments { plain: Vec::new(), options: HashMap::new() };
        let mut words = std::env::args().skip(1);
        while let Some(word) = words.next() {
            match word.strip_prefix("--") {
                Some("announce") => drop(found.options.insert("announce".into(), Vec::new())),
                Some(name) => {
                    found.options.entry(name.into()).or_default().extend(words.next());
                }
                None => found.plain.push(word),
            }
        }
        found
    }

    fn all(&self, name: &str) -> &[String] {
        self.options.get(name).map_or(&[], Vec::as_slice)
    }

    fn number<T: std::str::FromStr>(&self, name: &str) -> Outcome<Option<T>>
    where
        T::Err: Error + 'static,
    {
        Ok(self.all(name).last().map(|text| text.parse()).transpose()?)
    }

    fn pairs(&self, name: &str, between: char) -> Vec<(&str, &str)> {
        self.all(name).iter().filter_map(|text| text.split_once(between)).collect()
    }
}

fn main() -> Outcome<()> {
    let arguments = Arguments::read();
    let [kind, input, output] = arguments.plain.as_slice() else {
        return Err("usage: write_samples wav|flac|preview IN OUT [options]".into());
    };
    let channels: u16 = arguments.number("channels")?.unwrap_or(1);
    let planar = read_planar(input, channels)?;
    let out = File::create(output)?;
    let block: usize = arguments.number("block")?.unwrap_or(4096);
    match kind.as_str() {
        "wav" => {
            let mut writer = WavWriter::new(out, wav_spec(&arguments, channels)?)?;
            blocks(&planar, block, |b| writer.write(b))?;
            if let Some(lufs) = arguments.number("lufs")? {
                let integrated_lufs = Some(lufs);
                writer.set_loudness(BextLoudness { integrated_lufs, ..Default::default() });
            }
            writer.finish()?;
        }
        "flac" => {
            let frames = planar[0].len() as u64;
            let mut writer = FlacWriter::new(out, flac_spec(&arguments, channels, frames)?)?;
            blocks(&planar, block, |b| writer.write(b))?;
            writer.finish()?;
        }
        _ => {
            let bitrate_bps = arguments.number("bitrate")?.unwrap_or(96_000);
            let spec = PreviewSpec { channels, bitrate_bps, tags: tags(&arguments) };
            let mut writer = PreviewWriter::new(out, &spec)?;
            blocks(&planar, block, |b| writer.write(b))?;
            writer.finish()?;
        }
    }
    println!("{}", std::fs::metadata(output)?.len());
    Ok(())
}

fn wav_spec(arguments: &Arguments, channels: u16) -> Outcome<WavSpec> {
    let format = match arguments.number("bits")?.unwrap_or(24) {
        16 => SampleFormat::Int16,
        24 => SampleFormat::Int24,
        _ => SampleFormat::Float32,
    };
    let time_reference_samples = arguments.number("time-reference")?.unwrap_or(0);
    let bext = arguments.all("bext").last().map(|description| Bext {
        description: description.clone(),
        originator: "Ripieno".into(),
        origination_date: "2026-11-25".into(),
        origination_time: "08:30:00".into(),
        time_reference_samples,
        coding_history: vec!["A=PCM,F=48000,W=24,M=stereo,T=Ripieno".into()],
        ..Bext::default()
    });
    let mut cues = Vec::new();
    for (frame, label) in arguments.pairs("cue", ':') {
        cues.push(Cue { at_frame: frame.parse()?, label: label.into() });
    }
    let plain = WavSpec::new(arguments.number("rate")?.unwrap_or(48_000), channels, format);
    Ok(WavSpec {
        dither_seed: arguments.number("dither")?,
        bext,
        cues,
        rf64_above_bytes: arguments.number("rf64-above")?.unwrap_or(plain.rf64_above_bytes),
        ..plain
    })
}

fn flac_spec(arguments: &Arguments, channels: u16, frames: u64) -> Outcome<FlacSpec> {
    let bits = arguments.number("bits")?.unwrap_or(24);
    Ok(FlacSpec {
        dither_seed: arguments.number("dither")?,
        tags: tags(arguments),
        frames: arguments.options.contains_key("announce").then_some(frames),
        ..FlacSpec::new(arguments.number("rate")?.unwrap_or(48_000), channels, bits)
    })
}

fn tags(arguments: &Arguments) -> Vec<(String, String)> {
    let pairs = arguments.pairs("tag", '=');
    pairs.into_iter().map(|(field, value)| (field.into(), value.into())).collect()
}

fn read_planar(path: &str, channels: u16) -> Outcome<Vec<Vec<f32>>> {
    let bytes = std::fs::read(path)?;
    let (samples, _) = bytes.as_chunks::<4>();
    let channel = |c| {
        let of_channel = samples.iter().skip(c).step_by(channels.into());
        of_channel.map(|b| f32::from_le_bytes(*b)).collect()
    };
    Ok((0..channels.into()).map(channel).collect())
}

fn blocks(
    planar: &[Vec<f32>],
    block: usize,
    mut write: impl FnMut(&[&[f32]]) -> Result<(), WriteError>,
) -> Outcome<()> {
    let frames = planar[0].len();
    for from in (0..frames).step_by(block) {
        let to = (from + block).min(frames);
        write(&planar.iter().map(|c| &c[from..to]).collect::<Vec<_>>())?;
    }
    Ok(())
}
