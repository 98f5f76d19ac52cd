//! Kill −9, a full disk, a read-only disk, a damaged database: nothing acknowledged is lost,
//! nothing half-made shows, and what is said is plain.

use std::collections::{HashMap, HashSet};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use ripieno_store::{ErrorKind, Settings, Store, TakeState, Which};

const AT_RISK: &str = env!("CARGO_BIN_EXE_store_at_risk");
const KILLS: u64 = 24;

/// What the killed programs had been told was safe.
#[derive(Default)]
struct Acknowledged {
    takes: HashMap<String, String>,
    stems: HashMap<String, String>,
    withdrawn: HashSet<String>,
    uploads: HashMap<String, i64>,
    blobs: HashMap<String, String>,
}

impl Acknowledged {
    fn are_many(&self) -> bool {
        self.takes.len() > 30
            && self.stems.len() > 5
            && self.blobs.len() > 5
            && self.withdrawn.len() > 5
    }

    fn note(&mut self, line: &str) {
        let words: Vec<&str> = line.split(' ').collect();
        match words[..] {
            ["ready"] => {}
            ["take", id, hash] => drop(self.takes.insert(id.into(), hash.into())),
            ["stem", id, hash] => drop(self.stems.insert(id.into(), hash.into())),
            ["withdrawn", id] => drop(self.withdrawn.insert(id.into())),
            ["upload", id, at] => drop(self.uploads.insert(id.into(), at.parse().unwrap())),
            ["blob", id, hash] => drop(self.blobs.insert(id.into(), hash.into())),
            _ => panic!("a broken line: {line}"),
        }
    }
}

fn run_and_kill(folder: &Path, seed: u64, after: Duration, acknowledged: &mut Acknowledged) {
    let mut child = Command::new(AT_RISK)
        .args(["work".as_ref(), folder.as_os_str(), seed.to_string().as_ref()])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert_eq!(lines.next().unwrap().unwrap(), "ready");
    let reader = std::thread::spawn(move || lines.map(Result::unwrap).collect::<Vec<_>>());
    std::thread::sleep(after);
    assert!(child.try_wait().unwrap().is_none(), "the program ended by itself");
    // SIGKILL on Unix.
    child.kill().unwrap();
    child.wait().unwrap();
    for line in reader.join().unwrap() {
        acknowledged.note(&line);
    }
}

#[tokio::test]
async fn nothing_acknowledged_is_lost_by_kill_nine() {
    let folder = tempfile::tempdir().unwrap();
    let mut acknowledged = Acknowledged::default();
    let mut rng = fastrand::Rng::with_seed(9);
    let mut seed = 0;
    // On a busy machine a life may be too short for anything; then there are more of them.
    while seed < KILLS || !acknowledged.are_many() {
        seed += 1;
        assert!(seed < 5 * KILLS, "the program does not get anywhere");
        let after = Duration::from_millis(rng.u64(20..250));
        run_and_kill(folder.path(), seed, after, &mut acknowledged);
        let store = Store::open(&Settings::in_folder(folder.path())).await.unwrap();
        check_acknowledged(&store, &acknowledged).await;
        check_all_whole(&store).await;
        store.close().await;
    }
    check_sweep(folder.path(), &acknowledged).await;
}

async fn check_acknowledged(store: &Store, acknowledged: &Acknowledged) {
    for (id, hash) in &acknowledged.takes {
        let take = store.take(id).await.unwrap();
        if acknowledged.withdrawn.contains(id) {
            assert_eq!(take.state, TakeState::Withdrawn);
        } else if take.state != TakeState::Withdrawn {
            assert_eq!(take.content_hash.as_ref(), Some(hash));
            let jobs = store.jobs_about(id, "conform_take").await.unwrap();
            assert_eq!(jobs.len(), 1, "a take without its job");
        }
    }
    for (id, hash) in &acknowledged.stems {
        if store.take(id).await.unwrap().state != TakeState::Withdrawn {
            assert_eq!(&store.stem(id).await.unwrap().unwrap().content_hash, hash);
        }
    }
    for (id, at) in &acknowledged.uploads {
        assert!(store.upload(id).await.unwrap().received >= *at);
    }
    for (id, hash) in &acknowledged.blobs {
        let file = store.blob_file(id).await.unwrap();
        assert_eq!(&hash_of(file.path()), hash);
    }
}

/// Whatever shows, acknowledged or not, is whole.
async fn check_all_whole(store: &Store) {
    let piece = store.piece_by_slug("nine").await.unwrap();
    for take in store.list_takes(&piece.id, Which::All, None, i64::MAX).await.unwrap() {
        let stem = store.stem(&take.id).await.unwrap();
        assert_eq!(take.state == TakeState::Placed, stem.is_some(), "a stem without its outcome");
        if let Some(stem) = stem {
            let file = store.blob_file(&stem.blob).await.unwrap();
            assert_eq!(hash_of(file.path()), stem.content_hash);
        }
        let blob = store.take(&take.id).await.unwrap().blob;
        assert_eq!(blob.is_none(), take.state == TakeState::Withdrawn);
        if let Some(blob) = blob {
            let file = store.blob_file(&blob).await.unwrap();
            assert_eq!(Some(hash_of(file.path())), take.content_hash);
        }
    }
}

/// A sweep takes what the crashes left, and nothing else; an upload goes on after it.
async fn check_sweep(folder: &Path, acknowledged: &Acknowledged) {
    let store = Store::open(&Settings::in_folder(folder)).await.unwrap();
    tokio::time::sleep(Duration::from_millis(20)).await;
    let now_us = std::time::SystemTime::now()
        .duration_since(std::time::SystemTime::UNIX_EPOCH)
        .unwrap()
        .as_micros() as i64;
    let swept = store.sweep_files(Duration::ZERO, now_us).await.unwrap();
    println!("the kills left {swept:?}");
    check_acknowledged(&store, acknowledged).await;
    check_all_whole(&store).await;
    let again = store.sweep_files(Duration::ZERO, now_us).await.unwrap();
    assert_eq!(again, ripieno_store::SweptFiles::default());
    let half_way = acknowledged.uploads.keys().filter(|id| !acknowledged.blobs.contains_key(*id));
    for id in half_way {
        let upload = store.upload(id).await.unwrap();
        let length = upload.length.unwrap();
        if upload.received < length {
            let mut rest = store.append_upload(id, upload.received as u64).await.unwrap();
            let bytes: Vec<u8> = (upload.received..length).map(|i| (i % 251) as u8).collect();
            rest.write(&bytes).await.unwrap();
            rest.keep().await.unwrap();
        }
        let blob = store.finish_upload(id).await.unwrap();
        let whole: Vec<u8> = (0..blob.bytes).map(|i| (i % 251) as u8).collect();
        assert_eq!(blob.content_hash, blake3::hash(&whole).to_hex().to_string());
    }
}

fn hash_of(file: &Path) -> String {
    blake3::hash(&std::fs::read(file).unwrap()).to_hex().to_string()
}

/// Runs the program at risk on a file system of 6 MiB that only it sees and that ends with it.
fn run_on_small_disk(mode: &str) {
    let folder = tempfile::tempdir().unwrap();
    let script = r#"mount -t tmpfs -o size=6m tmpfs "$1" && exec "$0" "$2" "$1""#;
    let output = Command::new("unshare")
        .args(["--map-root-user", "--mount", "sh", "-c", script, AT_RISK])
        .arg(folder.path())
        .arg(mode)
        .output()
        .expect("the fault tests need unshare (Debian package util-linux)");
    assert!(
        output.status.success(),
        "{mode} failed; it needs the right to mount in a name space of its own\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[test]
fn a_full_disk_is_said_and_spoils_nothing() {
    run_on_small_disk("fill");
}

#[test]
fn a_disk_that_becomes_read_only_is_said() {
    run_on_small_disk("frozen");
}

#[tokio::test]
async fn a_damaged_database_is_said_in_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings::in_folder(folder.path());
    std::fs::write(&settings.database_file, "this is a letter, not a database\n".repeat(200))
        .unwrap();
    let error = Store::open(&settings).await.err().unwrap();
    assert_eq!(error.kind(), ErrorKind::Corrupt);
    let says = error.to_string();
    assert!(says.contains("is damaged or is not a database"), "{says}");
    assert!(says.contains("ripieno.sqlite"), "{says}");
    assert_eq!(
        std::fs::read(&settings.database_file).unwrap().len(),
        33 * 200,
        "the file was touched"
    );
}

#[tokio::test]
async fn a_database_cut_short_is_said_in_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings::in_folder(folder.path());
    Store::open(&settings).await.unwrap().close().await;
    let bytes = std::fs::read(&settings.database_file).unwrap();
    std::fs::write(&settings.database_file, &bytes[..bytes.len() / 3]).unwrap();
    let error = Store::open(&settings).await.err().unwrap();
    assert_eq!(error.kind(), ErrorKind::Corrupt, "{error:?}");
}
