#![allow(clippy::unwrap_used)]

use super::super::{BedCount, GroupReport};
use super::*;
use ripieno_engine::loudness::Loudness;

fn stem(take_id: &str, credit: Option<&str>, group: Option<&str>, mute: bool) -> StemReport {
    StemReport {
        take_id: take_id.into(),
        credit: credit.map(Into::into),
        content_hash: String::new(),
        group: group.map(Into::into),
        trim_db: -3.0,
        pan: 0.2,
        mute,
    }
}

fn report(stems: Vec<StemReport>) -> RenderReport {
    let section = |name: &str, first_sample: i64, end_sample: i64| SectionReport {
        name: name.into(),
        first_sample,
        end_sample,
        lufs: Some(-16.0),
        takes: stems.iter().map(|stem| stem.take_id.clone()).collect(),
    };
    let group = |name: &str| GroupReport {
        name: name.into(),
        stems: 2,
        measured_lufs: Some(-20.0),
        level_gain_db: -3.0,
    };
    RenderReport {
        title: "Nine <Harbours>".into(),
        kind: RenderKind::Final,
        sample_rate_hz: 48_000,
        first_sample: 0,
        frames: 48_000 * 100,
        loudness: Loudness {
            integrated_lufs: Some(-16.0),
            range_lu: Some(7.0),
            max_momentary_lufs: None,
            max_short_term_lufs: None,
            true_peak_dbtp: Some(-1.2),
            short_term_curve_lufs: vec![-18.0; 100],
        },
        unmastered_lufs: Some(-20.0),
        master_gain_db: 4.0,
        limited_db: 0.0,
        only_sections: Vec::new(),
        sections: vec![
            section("Flood", 0, 48_000 * 80),
            section("Slack \"water\"", 48_000 * 80, 48_000 * 100),
        ],
        groups: vec![group("Whistles"), group("Bells")],
        beds: BedCount::default(),
        files: Vec::new(),
        notes: Vec::new(),
        stems,
    }
}

fn crowd() -> Vec<StemReport> {
    vec![
        stem("1", Some("Ines Oster"), Some("Bells"), false),
        stem("2", Some("zoë"), Some("Whistles"), false),
        stem("3", None, None, false),
        stem("4", Some("Ada Dunmere"), Some("Bells"), false),
        stem("5", Some("Bo Left"), Some("Whistles"), true),
        stem("6", Some("Yrsa"), Some("Whistles"), false),
        stem("0", None, Some("Whistles"), false),
    ]
}

/// In the order one looks for somebody: group, then name; who is not heard at the end.
#[test]
fn takes_stand_by_group_and_name_and_those_left_out_last() {
    let report = report(crowd());
    let order: Vec<&str> = in_order(&report).iter().map(|stem| stem.take_id.as_str()).collect();
    assert_eq!(order, ["6", "2", "0", "4", "1", "5", "3"]);
    let page = page(&report, &Plot::default());
    assert!(page.contains("2 takes are left out"));
    for part in ["Whistles: 3", "Bells: 2", "Left out: 1", "Left out: no group fits: 1"] {
        assert!(page.contains(&format!(">{part}</th>")), "{part}");
    }
    assert!(page.contains("<li>Ada Dunmere</li><li>Bo Left</li>"), "names are sorted");
}

#[test]
fn a_mix_with_everybody_says_so() {
    let page = page(&report(crowd()[..2].to_vec()), &Plot::default());
    assert!(page.contains("Every take is in it") && !page.contains("left out"));
}

/// A name has the room up to the next section, so that no two lie over each other.
#[test]
fn names_of_sections_keep_to_their_own_room() {
    let page = page(&report(crowd()), &Plot::default());
    assert!(page.contains("left:0.0%;--near:80.0%;--far:100.0%\" title=\"Flood\""));
    assert!(page.contains("left:80.0%;--near:20.0%;--far:20.0%\" title=\"Slack &quot;water"));
}

#[test]
fn the_page_needs_nothing_from_elsewhere() {
    let page = page(&report(crowd()), &Plot::default());
    for outside in ["http:", "https:", "src=", "href=", "url(", "@import", "<script"] {
        assert!(!page.contains(outside), "{outside}");
    }
    assert!(page.contains("Nine &lt;Harbours&gt;") && !page.contains("Nine <Harbours>"));
}

#[test]
fn what_rounds_to_nothing_has_no_sign() {
    assert_eq!(or_dash(Some(-0.04), "dB"), "0.0\u{a0}dB");
    assert_eq!(or_dash(Some(-0.06), "dB"), "−0.1\u{a0}dB");
    assert_eq!(or_dash(None, "dB"), "–");
}

#[test]
fn of_one_section_it_says_which_and_who_is_silent_there() {
    let takes = ["a", "b", "c"].map(|id| stem(id, None, Some("Bells"), false));
    let mut report = report(takes.to_vec());
    report.sections.truncate(1);
    report.sections[0].takes.truncate(2);
    assert!(page(&report, &Plot::default()).contains("Final mix. Every take is in it."));
    report.only_sections = vec!["Flood".into()];
    let page = page(&report, &Plot::default());
    let told = "Final mix of Flood alone. One take of the piece does not sound there.";
    assert!(page.contains(told) && page.contains("<dt>Takes heard</dt><dd>2</dd>"), "{page}");
    let listed = [">Bells: 2</th>", ">Does not sound there: 1</th>", ">c</td>"];
    let at = listed.map(|part| page.find(part));
    assert!(at.iter().all(Option::is_some) && at.is_sorted(), "{at:?}");
}
