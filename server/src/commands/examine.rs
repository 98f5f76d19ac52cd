//! `ripieno examine`: says of recordings what a receipt would say, without a server.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use clap::Args;
use ripieno_worker::conform_take::{
    ConformFault, ConformPlan, Fingerprint, Limits, Matcher, Recording, conform, examine_line,
    finding_json, same_recording,
};
use ripieno_worker::guide_pack::guide_music;
use ripieno_worker::stem_wav::stem_to_wav;
use serde_json::{Value, json};

use super::pack::own_mark;
use super::piece::read_piece;
use super::{Failure, SettingsArgs, say};

/// Flags of `ripieno examine`.
#[derive(Args, Debug)]
pub struct ExamineArgs {
    /// The piece's document
    #[arg(long, value_name = "FILE")]
    pub piece: PathBuf,
    /// One JSON object a line instead of a page to read
    #[arg(long)]
    pub json: bool,
    /// Write the stem of every placed take into this folder: WAV, placed by its time reference, an hour at bar 1 beat 1
    #[arg(long, value_name = "DIR")]
    pub stems: Option<PathBuf>,
    /// How many files at a time [default: the machine's cores]
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
    /// Recordings
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
}

/// Examines every file, several at a time, and prints what was found in the order given.
///
/// # Errors
/// The piece's document is wrong, or a folder cannot be made. A file that cannot be used is no
/// error: it is a line that says so.
pub fn run(settings: &SettingsArgs, args: &ExamineArgs) -> Result<(), Failure> {
    let config = settings.load(&[])?;
    let piece = read_piece(&args.piece)?;
    let limits = Limits { max_decoded_s: config.max_decoded_s, ..Limits::default() };
    let plan = ConformPlan::new(&piece).with_guide(guide_music(&piece));
    let plan = match own_mark(&piece, &args.piece, &limits)? {
        Some(mark) => plan.with_own_mark(mark),
        None => plan,
    };
    if let Some(dir) = &args.stems {
        std::fs::create_dir_all(dir).map_err(|e| {
            Failure::given(format!("The folder {} cannot be made: {e}.", dir.display()))
        })?;
    }
    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    let threads = args.threads.unwrap_or(cores).clamp(1, args.files.len().max(1));
    let examine = |index: usize| {
        let file = &args.files[index];
        let stem = args.stems.as_ref().map(|dir| dir.join(stem_name(&args.files, index)));
        examine_one(file, &plan, &limits, stem.as_deref())
    };
    let mut earlier: Vec<(String, Fingerprint)> = Vec::new();
    in_order(args.files.len(), threads, examine, |(mut line, print)| {
        if let Some(print) = print {
            say_if_copy(&mut line, &print, &earlier);
            let name = line["file"].as_str().unwrap_or_default().to_owned();
            earlier.push((name, print.without_wave()));
        }
        say(&if args.json { line.to_string() } else { page(&line) });
    });
    Ok(())
}

/// Does `count` things on `threads` threads and hands each result on in order, as soon as all
/// before it are there.
fn in_order<T: Send>(
    count: usize,
    threads: usize,
    work: impl Fn(usize) -> T + Sync,
    mut hand_on: impl FnMut(T),
) {
    let next = AtomicUsize::new(0);
    let (done, results) = mpsc::channel();
    std::thread::scope(|scope| {
        for _ in 0..threads {
            let (done, next, work) = (done.clone(), &next, &work);
            scope.spawn(move || {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= count || done.send((index, work(index))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(done);
        let (mut waiting, mut due) = (BTreeMap::new(), 0);
        for (index, result) in results {
            waiting.insert(index, result);
            while let Some(result) = waiting.remove(&due) {
                hand_on(result);
                due += 1;
            }
        }
    });
}

/// Says of a recording that it is one of the earlier ones in another form, if it is.
fn say_if_copy(line: &mut Value, print: &Fingerprint, earlier: &[(String, Fingerprint)]) {
    let matcher = Matcher::new(print);
    let copy = earlier.iter().find_map(|(name, other)| {
        let likeness = matcher.likeness(other)?;
        likeness.is_copy().then_some((name, likeness))
    });
    let (Some((name, likeness)), true) = (copy, line["state"] != "unusable") else { return };
    line["state"] = "asks".into();
    if let Some(findings) = line["findings"].as_array_mut() {
        findings.insert(0, finding_json(&same_recording(name, &likeness)));
    }
}

fn examine_one(
    file: &Path,
    plan: &ConformPlan,
    limits: &Limits,
    stem: Option<&Path>,
) -> (Value, Option<Fingerprint>) {
    let name = file.display().to_string();
    let recording = Recording::new(file, limits.clone());
    // The stem's own form first; what is kept of it is a WAV file.
    let raw = stem.map(|path| path.with_extension("part"));
    match catch_unwind(AssertUnwindSafe(|| conform(&recording, plan, raw.as_deref()))) {
        Ok(Ok(outcome)) => {
            let mut line = examine_line(&name, &outcome);
            if let (Some(path), Some(raw), true) = (stem, &raw, outcome.stem.is_some()) {
                line["stem"] = keep_stem(raw, path, &name);
            }
            (line, outcome.fingerprint)
        }
        Ok(Err(ConformFault::Read(e))) if e.kind() == std::io::ErrorKind::NotFound => {
            (unusable(&name, "not_there", "There is no file at this path. Check its name."), None)
        }
        Ok(Err(fault)) => {
            (unusable(&name, "not_examined", &format!("Not examined: {fault}.")), None)
        }
        Err(_) => {
            let says = "The program failed on this file. That is our mistake; please report it \
                        with the file.";
            (unusable(&name, "not_examined", says), None)
        }
    }
}

/// The stem as a WAV file: its path, the grid position of its first frame, or why there is none.
fn keep_stem(raw: &Path, wav: &Path, name: &str) -> Value {
    let written = stem_to_wav(raw, wav, name);
    let _ = std::fs::remove_file(raw);
    match written {
        Ok(first_sample) => json!({
            "file": wav.display().to_string(), "first_sample": first_sample,
        }),
        Err(error) => json!({ "file": null, "error": error.to_string() }),
    }
}

/// The line of a file that could not be examined: the same keys, nothing known.
fn unusable(file: &str, code: &str, says: &str) -> Value {
    let finding = json!({
        "code": code, "severity": "unusable", "value": null, "unit": "", "says": says, "at_s": [],
    });
    json!({
        "file": file,
        "state": "unusable",
        "bar1_beat1_s": null,
        "bar1_beat1_sd_s": null,
        "ratio_ppm": null,
        "ratio_sd_ppm": null,
        "lag_ms": null,
        "lag_sd_ms": null,
        "spread_ms": null,
        "lag_taken_back_ms": null,
        "basis": null,
        "marks": [],
        "candidates": [],
        "findings": [finding],
        "decoded_s": null,
        "sample_rate": null,
        "channels": null,
        "container": null,
        "codec": null,
    })
}

/// The name of a file's stem; two files of one name in different folders get different ones.
fn stem_name(files: &[PathBuf], index: usize) -> String {
    let base =
        |path: &Path| path.file_stem().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let name = base(&files[index]);
    let twin = files[..index].iter().filter(|f| base(f) == name).count();
    match twin {
        0 => format!("{name}.wav"),
        n => format!("{name}-{}.wav", n + 1),
    }
}

/// A line as a page to read.
fn page(line: &Value) -> String {
    let number = |name: &str| line[name].as_f64();
    let mut text = format!(
        "{}: {}",
        line["file"].as_str().unwrap_or_default(),
        line["state"].as_str().unwrap_or_default()
    );
    let sound = (line["container"].as_str(), line["codec"].as_str(), number("decoded_s"));
    if let (Some(container), Some(codec), Some(seconds)) = sound {
        let (minutes, rest) = ((seconds / 60.0).floor(), seconds % 60.0);
        let rate = number("sample_rate").unwrap_or_default();
        let channels = line["channels"].as_u64().unwrap_or_default();
        text += &format!(
            "\n  {codec} in {container}, {minutes:.0} min {rest:04.1} s, {rate} Hz, {channels} ch"
        );
    }
    if let Some(at) = number("bar1_beat1_s") {
        let sd_ms = number("bar1_beat1_sd_s").unwrap_or_default() * 1000.0;
        text += &format!("\n  bar 1 beat 1 at {at:.4} s in the file (± {sd_ms:.2} ms)");
    }
    if let (Some(ppm), Some(sd)) = (number("ratio_ppm"), number("ratio_sd_ppm")) {
        let way = if ppm < 0.0 { "fast" } else { "slow" };
        text += &format!("\n  runs {:.1} ppm {way} (± {sd:.1})", ppm.abs());
    }
    if let Some(lag) = number("lag_ms") {
        let way = if lag < 0.0 { "early" } else { "late" };
        text += &format!("\n  plays {:.1} ms {way}", lag.abs());
        if let Some(spread) = number("spread_ms") {
            text += &format!(", spread {spread:.1} ms");
        }
    }
    for finding in line["findings"].as_array().into_iter().flatten() {
        let severity = finding["severity"].as_str().unwrap_or_default();
        text += &format!("\n  [{severity}] {}", finding["says"].as_str().unwrap_or_default());
    }
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_given_whatever_finishes_first() {
        let mut seen = Vec::new();
        let slow_first = |index: usize| {
            std::thread::sleep(std::time::Duration::from_millis(20 - 2 * index as u64));
            index
        };
        in_order(10, 4, slow_first, |index| seen.push(index));
        assert_eq!(seen, (0..10).collect::<Vec<_>>());
    }

    #[test]
    fn stems_of_one_name_do_not_overwrite_one_another() {
        let files: Vec<PathBuf> = ["a/x.wav", "b/x.flac", "c/y.wav"].map(PathBuf::from).into();
        let names: Vec<_> = (0..3).map(|i| stem_name(&files, i)).collect();
        assert_eq!(names, ["x.wav", "x-2.wav", "y.wav"]);
    }

    #[test]
    fn a_missing_file_is_a_line_with_every_key() {
        let plan = ConformPlan::new(&ripieno_score::nine_harbours().0);
        let (line, _) = examine_one(Path::new("/nowhere/x.wav"), &plan, &Limits::default(), None);
        assert_eq!(
            (&line["state"], &line["findings"][0]["code"]),
            (&json!("unusable"), &json!("not_there"))
        );
        assert!(page(&line).contains("There is no file"));
    }
}
