//! Turns documents into one another, so that checks in other languages can look at them.
//!
//! `documents export-midi PIECE.toml OUT.mid` writes the piece as a MIDI file;
//! `documents import-midi IN.mid` prints the piece found in one, as JSON, with remarks;
//! `documents beats PIECE.toml` prints every beat from the opening mark's bar, as JSON;
//! `documents offsets PIECE.toml RATE TAKES.json FOLDER` writes the offset lists.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::ExitCode;

use ripieno_score::{OffsetList, Piece, TakeOffset, midi};
use serde_json::{Value, json};

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["export-midi", piece, out] => fs::write(out, midi::export(&read_piece(piece)?))?,
        ["import-midi", file] => {
            let map = midi::import(&fs::read(file)?)?;
            println!("{}", json!({"piece": map.piece().to_json(), "remarks": map.remarks}));
        }
        ["beats", piece] => println!("{}", beats(&read_piece(piece)?)),
        ["offsets", piece, rate, takes, folder] => {
            let piece = read_piece(piece)?;
            let takes: Value = serde_json::from_str(&fs::read_to_string(takes)?)?;
            let takes = takes.as_array().into_iter().flatten().map(take).collect();
            write_lists(&OffsetList::new(&piece, rate.parse()?, takes), Path::new(folder))?;
        }
        _ => return Err("see the first lines of documents.rs for the arguments".into()),
    }
    Ok(())
}

fn read_piece(path: &str) -> Result<Piece, Box<dyn Error>> {
    Ok(Piece::from_toml(&fs::read_to_string(path)?, path)?)
}

fn beats(piece: &Piece) -> Value {
    let beats = piece.tempo.beats(midi::first_bar(piece), piece.last_bar);
    let one = |beat: &ripieno_score::Beat| {
        json!({
            "position": beat.position,
            "at_s": beat.at_s,
            "chord": piece.chart.chord_at(beat.position).map(|chord| chord.symbol()),
        })
    };
    beats.iter().map(one).collect()
}

fn take(value: &Value) -> TakeOffset {
    let text = |key: &str| value[key].as_str().unwrap_or_default().to_string();
    let number = |key: &str| value[key].as_f64().unwrap_or_default();
    TakeOffset {
        take: text("take"),
        file: text("file"),
        stem_file: None,
        credit: text("credit"),
        instrument: text("instrument"),
        has_picture: value["has_picture"].as_bool().unwrap_or(false),
        bar1_beat1_s: number("bar1_beat1_s"),
        ratio_ppm: number("ratio_ppm"),
        duration_s: number("duration_s"),
    }
}

fn write_lists(list: &OffsetList<'_>, folder: &Path) -> Result<(), Box<dyn Error>> {
    fs::write(folder.join("offsets.csv"), list.to_csv())?;
    fs::write(folder.join("offsets.otio"), serde_json::to_string_pretty(&list.to_otio())?)?;
    for file in list.to_edl() {
        fs::write(folder.join(file.name), file.text)?;
    }
    Ok(())
}
