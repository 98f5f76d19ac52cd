//! Times renders of many stems, for `tests/benches/mix.py`.
//!
//! `render_speed make DIR FILES SECONDS` writes FILES mono stems of noise without rests, with
//! their raw samples beside them (`N.stem`, `N.f32`).
//! `render_speed run DIR FILES COUNT THREADS` mixes COUNT stems drawn from those files and prints
//! one JSON object: seconds and peak memory of each kind of render.
//! `render_speed again DIR FILES COUNT THREADS TIMES` mixes as many and lets one take come and go
//! TIMES times, for a profiler to look at, and prints what each coming took.
//! `render_speed nights DIR FILES COUNT THREADS NIGHTS` mixes COUNT stems, then every night one take
//! more, each of another family, every third of them a short one, and prints what each night took.

use ripieno_engine::bed::{Bed, Contribution, STRETCH_BLOCKS};
use ripieno_engine::stem::{StemFile, StemWriter};
use ripieno_score::{Arrangement, Piece, TakeFacts, nine_harbours};
use ripieno_worker::render_mix::{
    MixTone, Outputs, RenderKind, RenderReport, RenderRequest, Stage, StemEntry, render,
};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::time::Instant;

/// A short measurement is made this often; the quickest counts.
const TRIES: usize = 3;

/// Which stem is exchanged: one that the first bed is made with.
const EXCHANGED: usize = 8;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

const FAMILIES: [&str; 8] =
    ["squeezebox", "whistle", "bells", "plucked", "reeds", "voice", "hands", "found-sound"];

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let done = match args[..] {
        ["make", dir, files, seconds] => make(dir, files, seconds),
        ["run", dir, files, count, threads] => run(dir, files, count, threads),
        ["again", dir, files, count, threads, times] => again(dir, files, count, threads, times),
        ["nights", dir, files, count, threads, nights] => {
            run_nights(dir, files, count, threads, nights)
        }
        _ => Err("make, run, again or nights".into()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "{error}");
            ExitCode::FAILURE
        }
    }
}

fn make(dir: &str, files: &str, seconds: &str) -> Outcome<()> {
    let frames = (seconds.parse::<f64>()? * 48_000.0) as usize;
    std::fs::create_dir_all(dir)?;
    for number in 0..files.parse::<u64>()? {
        let mut random = fastrand::Rng::with_seed(number.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let plane: Vec<f32> = (0..frames).map(|_| random.f32() * 0.6 - 0.3).collect();
        let bytes: Vec<u8> = plane.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        std::fs::write(Path::new(dir).join(format!("{number}.f32")), bytes)?;
        let file = std::fs::File::create(stem_path(Path::new(dir), number))?;
        let mut writer = StemWriter::create(std::io::BufWriter::new(file), 48_000, 1, 0)?;
        writer.push(&[&plane])?;
        writer.finish()?;
    }
    // A take that plays one section: 12 s, from the middle of the second on.
    let file = std::fs::File::create(Path::new(dir).join("short.stem"))?;
    let mut writer = StemWriter::create(std::io::BufWriter::new(file), 48_000, 1, 48_000 * 40)?;
    let mut random = fastrand::Rng::with_seed(77);
    let plane: Vec<f32> = (0..48_000 * 12).map(|_| random.f32() * 0.6 - 0.3).collect();
    writer.push(&[&plane])?;
    writer.finish()?;
    Ok(())
}

fn stem_path(dir: &Path, number: u64) -> PathBuf {
    dir.join(format!("{number}.stem"))
}

fn entry(dir: &Path, files: u64, number: u64) -> StemEntry {
    StemEntry {
        take_id: format!("take-{number}"),
        facts: TakeFacts { family: FAMILIES[(number % 8) as usize].into(), ..TakeFacts::default() },
        path: stem_path(dir, number % files),
        credit: None,
        form: None,
        offset: None,
    }
}

fn again(dir: &str, files: &str, count: &str, threads: &str, times: &str) -> Outcome<()> {
    let (dir, files): (_, u64) = (Path::new(dir), files.parse()?);
    let (piece, map) = nine_harbours();
    let stems: Vec<StemEntry> =
        (0..count.parse()?).map(|number| entry(dir, files, number)).collect();
    let bench = Bench { dir, piece: &piece, threads: threads.parse()?, former: Vec::new() };
    let _ = std::fs::remove_dir_all(dir.join("beds"));
    for _ in 0..times.parse::<usize>()? {
        bench.time(&map, &stems[1..], RenderKind::Preview, &[])?;
        let new = bench.time(&map, &stems, RenderKind::Preview, &[])?;
        writeln!(std::io::stdout(), "{new}")?;
    }
    Ok(())
}

fn run_nights(dir: &str, files: &str, count: &str, threads: &str, nights: &str) -> Outcome<()> {
    let (dir, files): (_, u64) = (Path::new(dir), files.parse()?);
    let count: u64 = count.parse()?;
    let (piece, map) = nine_harbours();
    let mut stems: Vec<StemEntry> = (0..count).map(|number| entry(dir, files, number)).collect();
    let bench = Bench { dir, piece: &piece, threads: threads.parse()?, former: Vec::new() };
    let _ = std::fs::remove_dir_all(dir.join("beds"));
    for night in 0..=nights.parse()? {
        let done = bench.time(&map, &stems, RenderKind::Preview, &[])?;
        let (cpu_s, beds) = (&done["mix_cpu_s"], &done["beds"]);
        writeln!(std::io::stdout(), "night {night}: {cpu_s:.3} s of processor time, beds {beds}")?;
        let mut take = entry(dir, files, count + night);
        if night % 3 == 2 {
            take.path = dir.join("short.stem");
        }
        stems.push(take);
    }
    Ok(())
}

fn run(dir: &str, files: &str, count: &str, threads: &str) -> Outcome<()> {
    let (dir, files): (_, u64) = (Path::new(dir), files.parse()?);
    let (count, threads): (u64, usize) = (count.parse()?, threads.parse()?);
    let (piece, map) = nine_harbours();
    let entry = |number: u64| entry(dir, files, number);
    let stems: Vec<StemEntry> = (0..count).map(entry).collect();
    let (bed_s, bed_cpu_s) = time_beds(&stems, threads)?;
    let bench = Bench { dir, piece: &piece, threads, former: Vec::new() };
    let _ = std::fs::remove_dir_all(dir.join("beds"));
    let mut results = serde_json::Map::new();
    let mut note = |name: &str, value: Value| results.insert(name.into(), value);
    note("stems", json!(count));
    note("threads", json!(threads));
    note("beds_alone_s", json!(bed_s));
    note("beds_alone_cpu_s", json!(bed_cpu_s));
    note("preview_cold", bench.time(&map, &stems[1..], RenderKind::Preview, &[])?);
    let mut tries = vec![bench.time(&map, &stems, RenderKind::Preview, &[])?];
    for _ in 1..TRIES {
        bench.time(&map, &stems[1..], RenderKind::Preview, &[])?;
        tries.push(bench.time(&map, &stems, RenderKind::Preview, &[])?);
    }
    note("one_new_take", quickest(tries));
    let exchanged = exchange(&stems, entry(count + 1));
    let mut tries = Vec::new();
    for _ in 0..TRIES {
        let bench = Bench { former: vec![stems[EXCHANGED].path.clone()], ..bench };
        tries.push(bench.time(&map, &exchanged, RenderKind::Preview, &[])?);
        let bench = Bench { former: vec![exchanged[EXCHANGED].path.clone()], ..bench };
        bench.time(&map, &stems, RenderKind::Preview, &[])?;
    }
    note("one_exchanged_take", quickest(tries));
    let mut more = stems.clone();
    more.push(StemEntry { path: dir.join("short.stem"), ..entry(count) });
    note("one_short_take", bench.time(&map, &more, RenderKind::Preview, &[])?);
    note("preview_again", bench.time(&map, &stems, RenderKind::Preview, &[])?);
    let changed = louder_bells(&map, &piece)?;
    note("one_curve_changed", bench.time(&changed, &stems, RenderKind::Preview, &[])?);
    note("one_section", bench.time(&changed, &stems, RenderKind::Preview, &["Undertow"])?);
    note("final_warm", bench.time(&changed, &stems, RenderKind::Final, &[])?);
    std::fs::remove_dir_all(dir.join("beds"))?;
    note("final_cold", bench.time(&map, &stems, RenderKind::Final, &[])?);
    note("peak_memory_mib", json!(peak_memory_mib()?));
    writeln!(std::io::stdout(), "{}", Value::Object(results))?;
    Ok(())
}

/// The stems with another take in place of one that lies in a kept bed, of the same family.
fn exchange(stems: &[StemEntry], other: StemEntry) -> Vec<StemEntry> {
    let mut exchanged = stems.to_vec();
    if let Some(old) = exchanged.get_mut(EXCHANGED) {
        *old = StemEntry { facts: old.facts.clone(), ..other };
    }
    exchanged
}

/// The exact sum alone: every stem to a stereo bed, stretch by stretch, nothing kept. Gives wall
/// and processor time of the best of three.
fn time_beds(stems: &[StemEntry], threads: usize) -> Outcome<(f64, f64)> {
    use rayon::prelude::*;
    let files: Vec<StemFile> =
        stems.iter().map(|stem| StemFile::open(&stem.path)).collect::<Result<_, _>>()?;
    let parts: Vec<Contribution<'_>> =
        files.iter().map(|stem| Contribution { stem, gains: [0.3, 0.4] }).collect();
    let end = files.iter().map(|stem| stem.summary().end_sample()).max().unwrap_or(0);
    let stretches = (end / 4096 / STRETCH_BLOCKS as i64) + 1;
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    let mut best = (f64::INFINITY, f64::INFINITY);
    for _ in 0..3 {
        let (begin, cpu_begin) = (Instant::now(), cpu_s());
        pool.install(|| {
            (0..stretches).into_par_iter().try_for_each(|stretch| {
                let mut bed = Bed::silent(stretch * STRETCH_BLOCKS as i64, STRETCH_BLOCKS);
                bed.add(&parts)
            })
        })?;
        best.0 = best.0.min(begin.elapsed().as_secs_f64());
        best.1 = best.1.min(cpu_s() - cpu_begin);
    }
    Ok(best)
}

struct Bench<'a> {
    dir: &'a Path,
    piece: &'a Piece,
    threads: usize,
    /// Stems that have left the mix and lie in kept beds.
    former: Vec<PathBuf>,
}

impl Bench<'_> {
    fn time(
        &self,
        arrangement: &Arrangement,
        stems: &[StemEntry],
        kind: RenderKind,
        sections: &[&str],
    ) -> Outcome<Value> {
        let request = RenderRequest {
            piece: self.piece,
            arrangement,
            arrangement_version: "bench".into(),
            stems: stems.to_vec(),
            former_stems: self.former.clone(),
            kind,
            sections: sections.iter().map(|&name| name.to_owned()).collect(),
            groups: Vec::new(),
            spotlight: None,
            tone: MixTone::default(),
            impulse: None,
            outputs: Outputs::default(),
            out_dir: self.dir.join("out"),
            beds_dir: Some(self.dir.join("beds")),
            threads: self.threads,
        };
        let (begin, cpu_begin) = (Instant::now(), cpu_s());
        // Progress tells where levels, sum and master end.
        let marks: Mutex<[f64; 5]> = Mutex::new([0.0; 5]);
        let report: RenderReport = render(&request, &|progress| {
            if let Ok(mut marks) = marks.lock() {
                let (now, cpu) = (begin.elapsed().as_secs_f64(), cpu_s() - cpu_begin);
                if progress.stage <= Stage::Levels {
                    marks[4] = cpu;
                }
                if progress.stage <= Stage::Sum {
                    (marks[0], marks[2]) = (now, cpu);
                }
                if progress.stage <= Stage::Master {
                    (marks[1], marks[3]) = (now, cpu);
                }
            }
        })?;
        let [sum_s, mastered_s, sum_cpu_s, mix_cpu_s, levels_cpu_s] =
            *marks.lock().map_err(|_| "the clock broke")?;
        Ok(json!({
            "sum_s": sum_s,
            "master_s": mastered_s - sum_s,
            "files_s": begin.elapsed().as_secs_f64() - mastered_s,
            "levels_cpu_s": levels_cpu_s,
            "sum_cpu_s": sum_cpu_s,
            "mix_cpu_s": mix_cpu_s,
            "total_cpu_s": cpu_s() - cpu_begin,
            "total_s": begin.elapsed().as_secs_f64(),
            "beds": report.beds,
            "lufs": report.loudness.integrated_lufs,
        }))
    }
}

fn louder_bells(map: &Arrangement, piece: &Piece) -> Outcome<Arrangement> {
    let mut json = map.to_json();
    let cells = json["cells"].as_array_mut().ok_or("the demo has cells")?;
    let cell = cells.first_mut().ok_or("the demo has a cell")?;
    cell["gain_db"] = json!(-4.5);
    Arrangement::from_json(&json.to_string(), "bench", piece).map_err(|all| all.to_string().into())
}

fn quickest(tries: Vec<Value>) -> Value {
    let cpu_s = |tried: &Value| tried["mix_cpu_s"].as_f64().unwrap_or(f64::INFINITY);
    tries.into_iter().min_by(|a, b| cpu_s(a).total_cmp(&cpu_s(b))).unwrap_or_default()
}

/// Processor time of this process so far, all threads, in and out of the kernel.
fn cpu_s() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    time.tv_sec as f64 + 1e-9 * time.tv_nsec as f64
}

fn peak_memory_mib() -> Outcome<f64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find(|line| line.starts_with("VmHWM")).ok_or("no VmHWM")?;
    let kib: f64 = line.split_whitespace().nth(1).ok_or("no figure")?.parse()?;
    Ok(kib / 1024.0)
}
