//! What of a take others than its contributor and the organisers may see: the words its
//! contributor agreed to be named by, and names of our own.

use super::TakeForm;
use crate::family::family_keyed;

/// Endings that say what a recording is and nothing of whose it is.
const ENDINGS: [&str; 25] = [
    "wav", "wave", "bwf", "rf64", "aif", "aiff", "aifc", "caf", "flac", "mp3", "m4a", "m4b", "m4v",
    "mp4", "mov", "aac", "ogg", "oga", "opus", "weba", "webm", "mka", "mkv", "3gp", "3gpp",
];

impl TakeForm {
    /// The credit line of somebody who agreed to be named; a minor's only with a guardian's
    /// consent.
    pub fn public_credit(&self) -> Option<&str> {
        let consents = &self.consents;
        let agreed = consents.credit && (!consents.minor || consents.guardian.is_some());
        (agreed && !self.credit.trim().is_empty()).then_some(self.credit.as_str())
    }

    /// The instrument: in the words of somebody who agreed to be named, since words may tell who
    /// plays ("Ada's fiddle"); else the family's name.
    pub fn public_instrument(&self) -> &str {
        match self.public_credit() {
            Some(_) => &self.instrument,
            None => family_keyed(&self.family).map_or("", |family| family.label),
        }
    }

    /// The name a take's own file goes by outside its receipt and the desk's page: the family and
    /// the take's id. The name it was sent under may tell who somebody is who goes by another name
    /// in the credits, and many send a `recording.m4a`.
    pub fn recording_name(&self, take_id: &str, sent_as: &str) -> String {
        let family = family_keyed(&self.family).map_or("take", |family| family.key);
        let ending = sent_as.rsplit_once('.').map(|(_, ending)| ending.to_ascii_lowercase());
        match ending.filter(|ending| ENDINGS.contains(&ending.as_str())) {
            Some(ending) => format!("{family}-{take_id}.{ending}"),
            None => format!("{family}-{take_id}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::take::Consents;

    fn form() -> TakeForm {
        TakeForm {
            credit: "Ada Quay".into(),
            instrument: "Ada's fiddle".into(),
            family: "bowed".into(),
            consents: Consents { recording: true, credit: true, ..Consents::default() },
            ..TakeForm::default()
        }
    }

    #[test]
    fn words_are_shown_of_those_who_agreed_to_be_named() {
        let named = form();
        assert_eq!(named.public_credit(), Some("Ada Quay"));
        assert_eq!(named.public_instrument(), "Ada's fiddle");
        let mut silent = form();
        silent.consents.credit = false;
        let mut minor = form();
        minor.consents.minor = true;
        for form in [silent, minor.clone()] {
            assert_eq!(form.public_credit(), None);
            assert_eq!(form.public_instrument(), "Bowed strings");
        }
        minor.consents.guardian = Some("Parent".into());
        assert_eq!(minor.public_credit(), Some("Ada Quay"));
    }

    #[test]
    fn the_name_a_file_was_sent_under_is_never_in_ours() {
        let name = |sent_as: &str| form().recording_name("06f0", sent_as);
        assert_eq!(name("ada_quay_fiddle.M4A"), "bowed-06f0.m4a");
        assert_eq!(name("fiddle.ada"), "bowed-06f0");
        assert_eq!(name(""), "bowed-06f0");
        assert_eq!(TakeForm::default().recording_name("06f0", "ada.wav"), "take-06f0.wav");
    }
}
