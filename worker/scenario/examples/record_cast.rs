//! Records the first takes of the cast from a guide pack and prints the truth of each as JSON:
//! `record_cast PACK OUT COUNT [SEED]`.
#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::path::Path;

use ripieno_scenario::{Pack, Sheet, cast, record};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [pack, out, count, seed @ ..] = arguments.as_slice() else {
        return Err("record_cast PACK OUT COUNT [SEED]".into());
    };
    let (piece, _) = ripieno_score::nine_harbours();
    let (pack, sheet) = (Pack::read(Path::new(pack))?, Sheet::of(&piece));
    std::fs::create_dir_all(out)?;
    let seed = seed.first().map_or(Ok(9), |text| text.parse())?;
    for player in cast(count.parse()?, seed) {
        let recorded = record(&player, &sheet, &pack, Path::new(out))?;
        let line = serde_json::json!({
            "file": recorded.path,
            "defect": player.defect.name(),
            "instrument": player.instrument.in_words().0,
            "pattern": format!("{:?}", player.pattern),
            "container": player.container.name(),
            "rate_hz": player.rate_hz,
            "channels": player.channels,
            "bar1_beat1_s": recorded.truth.bar1_beat1_s,
            "ratio_ppm": recorded.truth.ratio_ppm,
            "lag_ms": recorded.truth.mean_lag_ms,
            "jitter_ms": player.timing.jitter_ms,
        });
        println!("{line}");
    }
    Ok(())
}
