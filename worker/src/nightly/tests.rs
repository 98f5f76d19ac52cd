use super::*;
use ripieno_store::{DocumentFormat, NewDocument};

const MINUTE_US: i64 = 60_000_000;

async fn piece_at(store: &Store, at: &str, now_us: i64) -> String {
    let text = ripieno_score::PIECE_TOML.replace("at = \"0 5 * * *\"", &format!("at = \"{at}\""));
    let document =
        NewDocument { format: DocumentFormat::Toml, text: &text, saved_by: "a test", note: "" };
    store.create_piece("nine-harbours", "Nine Harbours", &document, now_us).await.unwrap().id
}

/// 04:58 UTC on a winter's day, when Lisbon keeps UTC.
const BEFORE_FIVE_US: i64 = 1_795_582_680_000_000;

#[tokio::test]
async fn however_many_look_a_night_has_one_render() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&ripieno_store::Settings::in_folder(folder.path())).await.unwrap();
    let piece = piece_at(&store, "0 5 * * *", BEFORE_FIVE_US).await;
    let look = async |now_us| {
        let workers: Vec<_> = (0..8)
            .map(|_| {
                let store = store.clone();
                tokio::spawn(async move {
                    ask_for_what_is_due(&store, &mut HashMap::new(), now_us).await.unwrap()
                })
            })
            .collect();
        for worker in workers {
            worker.await.unwrap();
        }
        store.list_renders(&piece, None, 50).await.unwrap()
    };
    assert!(look(BEFORE_FIVE_US + 5 * MINUTE_US).await.is_empty(), "there is no take yet");
    crate::run::tests::place_a_take(&store, &piece).await;
    assert!(look(BEFORE_FIVE_US + MINUTE_US).await.is_empty(), "it is not five yet");
    let renders = look(BEFORE_FIVE_US + 3 * MINUTE_US).await;
    assert_eq!(renders.len(), 1);
    assert_eq!(renders[0].occasion.as_deref(), Some("nightly 2026-11-25 05:00+00:00"));
    assert_eq!(renders[0].requested_by, "nightly");
    assert_eq!(look(BEFORE_FIVE_US + 300 * MINUTE_US).await.len(), 1, "made up for, once");
    assert_eq!(look(BEFORE_FIVE_US + 1443 * MINUTE_US).await.len(), 2, "the next night");
}

#[tokio::test]
async fn a_worker_does_not_ask_again_for_what_it_has_asked() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&ripieno_store::Settings::in_folder(folder.path())).await.unwrap();
    let piece = piece_at(&store, "*/5 * * * *", BEFORE_FIVE_US).await;
    crate::run::tests::place_a_take(&store, &piece).await;
    let mut asked = HashMap::new();
    let five = BEFORE_FIVE_US + 3 * MINUTE_US;
    assert_eq!(ask_for_what_is_due(&store, &mut asked, five).await.unwrap(), 1);
    assert_eq!(ask_for_what_is_due(&store, &mut asked, five).await.unwrap(), 0);
    let later = five + 5 * MINUTE_US;
    assert_eq!(ask_for_what_is_due(&store, &mut asked, later).await.unwrap(), 1);
}
