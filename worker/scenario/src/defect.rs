//! What can be wrong with a take.

/// The one thing that is notable about a take, besides the clock error every device has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Defect {
    /// Nothing: a good take.
    Clean,
    /// Somebody talks before the mark.
    TalkFirst,
    /// The device's clock is 150–250 ppm off.
    Clock,
    /// The tempo was set a little wrong (up to 0.25 %), the pitch is right.
    Tempo,
    /// Wireless headphones: everything is a constant 170–260 ms late.
    Lag,
    /// The guide leaked from the headphones into the microphone.
    Bleed,
    /// The level was far too high for the converter.
    Clipped,
    /// A fan, a street, a cheap microphone.
    Noisy,
    /// Mains hum of 50 Hz and its multiples.
    Hum,
    /// A bathroom.
    Wet,
    /// Recorded 45 dB too low.
    Quiet,
    /// Nothing but the microphone's own noise.
    Silent,
    /// Played in the wrong mode.
    WrongMode,
    /// Stopped half way.
    CutShort,
    /// The opening mark was edited out.
    NoMark,
    /// A stereo file with one dead channel.
    DeadChannel,
    /// A stereo file whose right channel is the left one upside down.
    Antiphase,
    /// Half a second fell out in the middle.
    Slipped,
    /// The same file sent a second time.
    Twice,
    /// A text file named like a recording.
    NotAudio,
    /// The upload holds only the first part of the file's bytes.
    Truncated,
}

impl Defect {
    /// Every class, in the order they enter the cast.
    pub const ALL: [Defect; 21] = [
        Defect::Clean,
        Defect::TalkFirst,
        Defect::Clock,
        Defect::Tempo,
        Defect::Lag,
        Defect::Bleed,
        Defect::Clipped,
        Defect::Noisy,
        Defect::Hum,
        Defect::Wet,
        Defect::Quiet,
        Defect::Silent,
        Defect::WrongMode,
        Defect::CutShort,
        Defect::NoMark,
        Defect::DeadChannel,
        Defect::Antiphase,
        Defect::Slipped,
        Defect::Twice,
        Defect::NotAudio,
        Defect::Truncated,
    ];

    /// A short name for tables.
    pub fn name(self) -> &'static str {
        match self {
            Defect::Clean => "clean",
            Defect::TalkFirst => "talk first",
            Defect::Clock => "clock",
            Defect::Tempo => "tempo",
            Defect::Lag => "headphone lag",
            Defect::Bleed => "guide bleed",
            Defect::Clipped => "clipped",
            Defect::Noisy => "noisy",
            Defect::Hum => "hum",
            Defect::Wet => "wet room",
            Defect::Quiet => "too quiet",
            Defect::Silent => "silent",
            Defect::WrongMode => "wrong mode",
            Defect::CutShort => "cut short",
            Defect::NoMark => "no mark",
            Defect::DeadChannel => "dead channel",
            Defect::Antiphase => "antiphase",
            Defect::Slipped => "slipped edit",
            Defect::Twice => "sent twice",
            Defect::NotAudio => "not audio",
            Defect::Truncated => "truncated",
        }
    }
}
