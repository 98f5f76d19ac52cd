//! Families of instruments, and a guess of family and register from a free text.

/// A family of instruments.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Family {
    /// The word rules and records use.
    pub key: &'static str,
    /// What a form shows.
    pub label: &'static str,
    /// Names of instruments, parted by commas.
    names: &'static str,
}

impl Family {
    /// Names of instruments in it, for suggestions and for the guess.
    pub fn instruments(&self) -> impl Iterator<Item = &'static str> + use<> {
        self.names.split(", ").filter(|name| !name.is_empty())
    }
}

/// Every family, in the order a form shows them; `other` is the last.
pub fn families() -> &'static [Family] {
    &FAMILIES
}

/// A family by its key.
pub fn family_keyed(key: &str) -> Option<&'static Family> {
    FAMILIES.iter().find(|family| family.key == key)
}

/// What a free text suggests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Suggestion {
    /// A family's key; `other` when nothing fits.
    pub family: &'static str,
    /// `low`, `middle` or `high`, where the text says so.
    pub register: Option<&'static str>,
}

/// Guesses family and register from an instrument's name in English.
pub fn suggest(instrument: &str) -> Suggestion {
    let text: String = instrument.chars().take(200).flat_map(char::to_lowercase).collect();
    let words: Vec<&str> =
        text.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    // The longest name that fits says most: 'bass clarinet' before 'bass'.
    let named = FAMILIES
        .iter()
        .flat_map(|family| family.instruments().map(move |name| (family.key, name)))
        .filter(|(_, name)| contains_name(&words, name))
        .max_by_key(|(_, name)| name.len());
    let family = named.map_or("other", |(family, _)| family);
    let register = register_of(&words, named.map(|(_, name)| name));
    // '120 bass' tells of an accordion's buttons, not of where it plays.
    let counts_buttons = family == "squeezebox" && !text.starts_with("bass");
    Suggestion { family, register: register.filter(|_| !counts_buttons) }
}

/// Whether a name's words stand in a row among the words, a plural counting as the singular.
fn contains_name(words: &[&str], name: &str) -> bool {
    let name: Vec<&str> = name.split(' ').collect();
    let same = |word: &str, part: &str| {
        word == part
            || word.strip_suffix('s') == Some(part)
            || word.strip_suffix("es") == Some(part)
    };
    words.windows(name.len()).any(|run| run.iter().zip(&name).all(|(word, part)| same(word, part)))
}

fn register_of(words: &[&str], name: Option<&str>) -> Option<&'static str> {
    let said = |known: &[&str]| words.iter().any(|word| known.contains(word));
    let is = |known: &[&str]| name.is_some_and(|name| known.contains(&name));
    // 'Bass drum' is low, 'bass clarinet' too; 'soprano', 'piccolo' say high of whatever they name.
    if said(&["bass", "contrabass", "baritone", "low", "sub", "contra", "double"]) {
        Some("low")
    } else if said(&["soprano", "sopranino", "piccolo", "descant", "high", "treble"]) {
        Some("high")
    } else if said(&["alto", "tenor", "mezzo", "middle"]) {
        Some("middle")
    } else if is(&LOW) {
        Some("low")
    } else if is(&HIGH) {
        Some("high")
    } else {
        None
    }
}

const LOW: [&str; 12] = [
    "tuba",
    "sousaphone",
    "trombone",
    "euphonium",
    "bassoon",
    "cello",
    "didgeridoo",
    "timpani",
    "foghorn",
    "serpent",
    "ophicleide",
    "helicon",
];
const HIGH: [&str; 14] = [
    "flute",
    "fife",
    "tin whistle",
    "penny whistle",
    "glockenspiel",
    "triangle",
    "ukulele",
    "violin",
    "fiddle",
    "trumpet",
    "cornet",
    "mandolin",
    "crotales",
    "handbell",
];

const FAMILIES: [Family; 15] = [
    Family {
        key: "squeezebox",
        label: "Squeezeboxes",
        names: "accordion, accordeon, concertina, melodeon, bandoneon, harmonium, button box, \
            squeezebox, bayan, shruti box, harmonica, mouth organ, melodica",
    },
    Family {
        key: "whistle",
        label: "Whistles and flutes",
        names: "whistle, tin whistle, penny whistle, low whistle, flute, alto flute, bass flute, \
            piccolo, recorder, fife, ocarina, pan pipe, panpipe, tabor pipe, shakuhachi, \
            bansuri, ney, quena",
    },
    Family {
        key: "bells",
        label: "Bells and mallets",
        names: "bell, handbell, hand bell, glockenspiel, chime, tubular bell, carillon, celesta, \
            vibraphone, xylophone, marimba, crotales, music box, gong, kalimba, thumb piano, \
            mbira, steel pan, metallophone, singing bowl",
    },
    Family {
        key: "plucked",
        label: "Plucked strings",
        names: "guitar, acoustic guitar, electric guitar, bass guitar, banjo, mandolin, mandola, \
            ukulele, harp, lute, zither, dulcimer, hammered dulcimer, lyre, bouzouki, oud, \
            sitar, balalaika, cittern, autoharp, koto, electric bass, bass, kora",
    },
    Family {
        key: "bowed",
        label: "Bowed strings",
        names: "violin, fiddle, viola, cello, violoncello, double bass, contrabass, upright bass, \
            hurdy gurdy, nyckelharpa, viol, viola da gamba, erhu, musical saw, bowed psaltery, \
            rebec",
    },
    Family {
        key: "low-brass",
        label: "Low brass",
        names: "trombone, bass trombone, tuba, euphonium, baritone horn, sousaphone, french horn, \
            horn, tenor horn, serpent, ophicleide, alphorn, foghorn, helicon, didgeridoo",
    },
    Family {
        key: "high-brass",
        label: "High brass",
        names: "trumpet, cornet, flugelhorn, bugle, piccolo trumpet, post horn, conch",
    },
    Family {
        key: "reeds",
        label: "Reeds",
        names: "clarinet, bass clarinet, oboe, cor anglais, english horn, bassoon, saxophone, sax, \
            alto sax, tenor sax, baritone sax, soprano sax, bagpipe, small pipe, uilleann \
            pipe, shawm, duduk, crumhorn, bombard, chalumeau, pipe",
    },
    Family {
        key: "voice",
        label: "Voices",
        names: "voice, vocal, singer, singing, choir, soprano, mezzo soprano, alto, tenor, \
            baritone, bass voice, bass singer, humming, whistling, chorus, beatbox",
    },
    Family {
        key: "percussion",
        label: "Drums and percussion",
        names: "drum, drum kit, drum set, bass drum, snare, snare drum, cajon, conga, bongo, \
            djembe, bodhran, tambourine, shaker, cymbal, triangle, wood block, woodblock, \
            timpani, cowbell, maraca, castanet, tabla, frame drum, percussion, guiro, egg \
            shaker",
    },
    Family {
        key: "found-sound",
        label: "Found sounds",
        names: "found sound, pot, pan, pots and pans, spoon, bottle, bucket, rope, oar, chain, \
            glass, stone, driftwood, typewriter, bicycle, tool, anvil, saw, shell, can",
    },
    Family {
        key: "hands",
        label: "Hands and feet",
        names: "hand, clap, clapping, hand clap, handclap, hand clapping, stomp, foot, feet, snap, \
            finger snap, body percussion, tap dance, clog",
    },
    Family {
        key: "keys",
        label: "Keyboards",
        names: "piano, upright piano, grand piano, electric piano, organ, pipe organ, harpsichord, \
            clavichord, clavinet, keyboard, reed organ, toy piano",
    },
    Family {
        key: "electronic",
        label: "Electronic",
        names: "synth, synthesizer, synthesiser, modular, sampler, theremin, drum machine, laptop, \
            computer, electronics, groovebox, vocoder, synth bass",
    },
    Family { key: "other", label: "Something else", names: "" },
];

#[cfg(test)]
mod tests {
    use super::*;

    fn guess(text: &str) -> (&'static str, Option<&'static str>) {
        let suggestion = suggest(text);
        (suggestion.family, suggestion.register)
    }

    #[test]
    fn plain_names_find_their_family() {
        for (text, family) in [
            ("Piano accordion, 120 bass", "squeezebox"),
            ("Tin Whistle in D", "whistle"),
            ("set of handbells", "bells"),
            ("12-string guitar", "plucked"),
            ("fiddle", "bowed"),
            ("TUBA", "low-brass"),
            ("two trumpets", "high-brass"),
            ("alto saxophone", "reeds"),
            ("Choir of 14", "voice"),
            ("bodhrán", "other"),
            ("bodhran", "percussion"),
            ("bottles and spoons", "found-sound"),
            ("hand claps", "hands"),
            ("upright piano", "keys"),
            ("modular synth", "electronic"),
            ("", "other"),
            ("🪕", "other"),
        ] {
            assert_eq!(guess(text).0, family, "{text}");
        }
    }

    #[test]
    fn the_longest_name_decides() {
        assert_eq!(guess("bass clarinet"), ("reeds", Some("low")));
        assert_eq!(guess("bass drum"), ("percussion", Some("low")));
        assert_eq!(guess("double bass"), ("bowed", Some("low")));
        assert_eq!(guess("piccolo trumpet"), ("high-brass", Some("high")));
        assert_eq!(guess("tenor sax"), ("reeds", Some("middle")));
    }

    #[test]
    fn keys_are_plain_words_and_none_is_twice() {
        let keys: std::collections::HashSet<_> =
            families().iter().map(|family| family.key).collect();
        assert_eq!(keys.len(), families().len());
        assert!(keys.iter().all(|key| key.bytes().all(|b| b.is_ascii_lowercase() || b == b'-')));
        assert_eq!(families().last().map(|family| family.key), Some("other"));
    }
}
