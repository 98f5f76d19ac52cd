//! The demo's page of results: what became of each kind of take, and the mix.

use std::collections::BTreeMap;
use std::path::Path;

use ripieno_scenario::Defect;
use serde_json::Value;

use super::crowd::Sent;
use crate::commands::say;

/// What became of the takes of one kind.
#[derive(Default)]
struct Row {
    sent: usize,
    refused: usize,
    placed: usize,
    asks: usize,
    unusable: usize,
    errors_ms: Vec<f64>,
    ratio_errors_ppm: Vec<f64>,
    codes: BTreeMap<String, usize>,
}

/// Prints the page.
pub(super) fn page(sent: &[Sent], takes: &[Value], preview: &Value, last: &Value, out: &Path) {
    let mut rows: BTreeMap<(Defect, bool), Row> = BTreeMap::new();
    for (sent, take) in sent.iter().zip(takes) {
        rows.entry((sent.recorded.truth.defect, sent.again)).or_default().count(sent, take);
    }
    say("");
    say(
        "What was wrong     sent  placed  asks  unusable  refused   place error, ms    ratio, ppm   said most",
    );
    say("                                                         median     worst        worst");
    for ((defect, again), row) in &rows {
        row.print(&format!("{}{}", defect.name(), if *again { ", again" } else { "" }));
    }
    let mut all = Row::default();
    for (sent, take) in sent.iter().zip(takes) {
        all.count(sent, take);
    }
    all.codes.clear();
    all.print("all");
    say("");
    say("The errors are against the scenario's exact truth, over the takes called placed.");
    say("");
    for sent in sent.iter().filter(|sent| sent.take_id.is_none()) {
        let file = sent.recorded.path.file_name().unwrap_or_default().to_string_lossy();
        say(&format!("Refused: {file}: {}", sent.refused.as_deref().unwrap_or_default()));
    }
    say("");
    describe("preview", preview, out);
    describe("final", last, out);
    say("");
    for state in ["placed", "asks", "unusable"] {
        let shown = sent.iter().zip(takes).find(|(_, take)| take["state"] == state);
        if let Some(path) = shown.and_then(|(sent, _)| sent.receipt_path.as_deref()) {
            say(&format!("A receipt of a take that is {state}: {path}"));
        }
    }
}

impl Row {
    fn count(&mut self, sent: &Sent, take: &Value) {
        self.sent += 1;
        match take["state"].as_str() {
            None => self.refused += 1,
            Some("placed") => self.placed += 1,
            Some("asks") => self.asks += 1,
            Some(_) => self.unusable += 1,
        }
        let truth = &sent.recorded.truth;
        let outcome = &take["outcome"];
        if take["state"] == "placed" {
            if let Some(at_s) = outcome["bar1_beat1_s"].as_f64() {
                self.errors_ms.push(1e3 * (at_s - truth.bar1_beat1_s).abs());
            }
            if let Some(ppm) = outcome["ratio_ppm"].as_f64() {
                self.ratio_errors_ppm.push((ppm - truth.ratio_ppm).abs());
            }
        }
        for finding in take["findings"].as_array().map_or(&[][..], Vec::as_slice) {
            if let Some(code) = finding["code"].as_str() {
                *self.codes.entry(code.to_owned()).or_default() += 1;
            }
        }
    }

    fn print(&self, name: &str) {
        let mut errors = self.errors_ms.clone();
        errors.sort_by(f64::total_cmp);
        let figure = |value: Option<&f64>, digits: usize| {
            value.map_or_else(|| "-".to_owned(), |v| format!("{v:.digits$}"))
        };
        let worst_ppm = self.ratio_errors_ppm.iter().copied().reduce(f64::max);
        let mut codes: Vec<_> = self.codes.iter().collect();
        codes.sort_by_key(|(code, times)| (usize::MAX - **times, code.as_str()));
        let codes: Vec<_> = codes.iter().take(3).map(|(code, _)| code.as_str()).collect();
        say(&format!(
            "{name:<18} {:>4}  {:>6}  {:>4}  {:>8}  {:>7}  {:>8}  {:>8}     {:>8}   {}",
            self.sent,
            self.placed,
            self.asks,
            self.unusable,
            self.refused,
            figure(errors.get(errors.len() / 2), 3),
            figure(errors.last(), 3),
            figure(worst_ppm.as_ref(), 1),
            codes.join(" "),
        ));
    }
}

fn describe(kind: &str, render: &Value, out: &Path) {
    let report = &render["report"];
    let figure = |name: &str| {
        report["loudness"][name].as_f64().map_or_else(|| "?".into(), |v| format!("{v:.1}"))
    };
    say(&format!(
        "The {kind}: {} stems, {} LUFS, {} dBTP, in {}",
        report["stems"].as_array().map_or(0, Vec::len),
        figure("integrated_lufs"),
        figure("true_peak_dbtp"),
        out.join(kind).display(),
    ));
    // A folder of a render (the stems, the groups) is one line.
    let mut lines: BTreeMap<String, (usize, f64)> = BTreeMap::new();
    for file in render["files"].as_array().map_or(&[][..], Vec::as_slice) {
        let name = file["name"].as_str().unwrap_or_default();
        let line = name.split_once('/').map_or(name.to_owned(), |(folder, _)| format!("{folder}/"));
        let (files, bytes) = lines.entry(line).or_default();
        *files += 1;
        *bytes += file["bytes"].as_f64().unwrap_or_default();
    }
    for (name, (files, bytes)) in lines {
        let count = if name.ends_with('/') { format!("{files} files") } else { String::new() };
        say(&format!("    {name:<16} {:9.2} MB  {count}", bytes / 1e6));
    }
}

/// Says where the pages are.
pub(super) fn where_to_look(base: &str, token: &str, data_dir: &Path, stay: bool) {
    say("");
    if stay {
        say(&format!("In a browser: the call {base}/, the desk {base}/desk"));
        say(&format!("The desk asks for the organiser's token: {token}"));
        say("Ctrl-C stops.");
    } else {
        say("To look at it in a browser, serve what the demo left:");
        say(&format!("    cargo run --release -- serve --data-dir {}", data_dir.display()));
        say("The call is then at http://127.0.0.1:8080/, the desk at http://127.0.0.1:8080/desk;");
        say(&format!("the desk asks for the organiser's token: {token}"));
    }
}
