//! What each column means: by its unit, its words and its values, with the reason.

use settlepoint_domain::Role;

use crate::clock::brief;
use crate::units::{self, Quantity, SourceUnit};
use crate::words::{Concept, concepts, tokens};

/// What the values of a column look like, in the source's unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    pub(crate) min: f64,
    pub(crate) max: f64,
    pub(crate) median: f64,
    pub(crate) present: usize,
    /// Every value is whole.
    pub(crate) whole: bool,
    /// Never falls, and rises somewhere.
    pub(crate) rising: bool,
    /// The column held yes and no.
    pub(crate) switch: bool,
}

/// A column's role as recognised.
#[derive(Clone, Debug)]
pub(crate) struct Guess {
    pub(crate) role: Role,
    pub(crate) unit: Option<SourceUnit>,
    pub(crate) part: &'static str,
    pub(crate) reason: String,
    /// How well it stands for its role among others of the same role.
    pub(crate) rank: f64,
    /// Something that the user should confirm: what, and what else it could be.
    pub(crate) doubt: Option<(String, Vec<String>)>,
}

/// The unit that stands in a column's name, and how it was written.
pub(crate) fn unit_in_name(name: &str) -> Option<(SourceUnit, String)> {
    bracketed(name)
        .or_else(|| behind_mark(name))
        .or_else(|| as_token(name))
        .or_else(|| whole(name))
}

/// `W`, `MHz`, `°C`: the name is nothing but a unit. Single letters mean too many things, but W.
fn whole(name: &str) -> Option<(SourceUnit, String)> {
    let name = name.trim();
    let clear = name == "W" || name.chars().count() > 1;
    units::lookup(name)
        .filter(|unit| clear && unit.quantity != Quantity::Other)
        .map(|unit| (unit, name.to_owned()))
}

/// `CPU (°C)`, `Power [W]`: the last brackets that hold a unit.
fn bracketed(name: &str) -> Option<(SourceUnit, String)> {
    let pairs = [
        ('(', ')'),
        ('[', ']'),
        ('{', '}'),
        ('<', '>'),
        ('（', '）'),
        ('【', '】'),
    ];
    pairs.iter().find_map(|(open, close)| {
        let mut rest = name;
        let mut found = None;
        while let Some(from) = rest.find(*open) {
            let inner = &rest[from + open.len_utf8()..];
            // `dB(A)` inside brackets closes twice.
            let to = match inner.find(*close)? {
                to if inner[..to].contains(*open) => inner.rfind(*close)?,
                to => to,
            };
            // In `level dB(A)` the brackets hold a weighting, not amperes.
            let weighted = *open == '(' && rest[..from].to_ascii_lowercase().ends_with("db");
            let text = if weighted {
                &rest[from - 2..from + 1 + to]
            } else {
                &inner[..to]
            };
            if let Some(unit) = units::lookup(text) {
                found = Some((unit, text.trim().to_owned()));
            }
            rest = &inner[to + close.len_utf8()..];
        }
        found
    })
}

/// `T / °C`, `CPU temp, °C`, `power in W`, `Temp °C`.
fn behind_mark(name: &str) -> Option<(SourceUnit, String)> {
    for mark in [" / ", "/", ", ", " in ", " en ", ": ", " "] {
        if let Some(at) = name.rfind(mark) {
            let text = name[at + mark.len()..].trim();
            // Bare letters and digits behind a blank are judged as words below.
            let plain = text.chars().all(|c| c.is_ascii_digit());
            if !plain && let Some(unit) = units::lookup(text) {
                return Some((unit, text.to_owned()));
            }
        }
    }
    name.ends_with('%')
        .then(|| (units::PERCENT, "%".to_owned()))
}

/// `CPU_Temp_C`, `power_w`, `CPU_Power_W_Actual`, `energy_uj`.
fn as_token(name: &str) -> Option<(SourceUnit, String)> {
    let parts: Vec<&str> = name.split(['_', '-', '.', ' ']).collect();
    if parts.len() < 2 {
        return glued(name);
    }
    let is_unit = |text: &str| {
        let known = units::lookup(text).filter(|_| text.chars().any(|c| !c.is_ascii_digit()))?;
        // `_min` and `_d` are rarely minutes and days, `_m` and `_1` rarely units.
        (!matches!(
            text,
            "min" | "Min" | "MIN" | "d" | "D" | "h" | "grad" | "M" | "m" | "a" | "A"
        ))
        .then(|| (known, text.to_owned()))
    };
    let last = is_unit(parts[parts.len() - 1]);
    last.or_else(|| {
        let middle = &parts[1..parts.len() - 1];
        middle
            .iter()
            .rev()
            .find_map(|part| is_unit(part))
            .filter(|(unit, _)| {
                // In the middle, single letters count for what is meant most often only.
                !matches!(unit.quantity, Quantity::Time | Quantity::Other)
            })
    })
}

/// `cpuTempC`, `powerW`, `freqMHz`.
fn glued(name: &str) -> Option<(SourceUnit, String)> {
    [
        "MHz", "GHz", "kHz", "Hz", "mW", "kW", "rpm", "RPM", "Rpm", "Pct", "uJ", "W", "C", "F",
        "K", "J",
    ]
    .iter()
    .find_map(|unit| {
        let head = name.strip_suffix(unit)?;
        let turn = head
            .chars()
            .last()
            .is_some_and(|c| c.is_lowercase() || c.is_numeric());
        // `CPU1F` and the like are no units; a word must come before.
        (turn && head.chars().filter(|c| c.is_lowercase()).count() >= 3)
            .then(|| units::lookup(unit).map(|u| (u, (*unit).to_owned())))
            .flatten()
    })
}

/// The words of one name at hand.
struct Words {
    found: Vec<(Concept, String)>,
}

impl Words {
    fn has(&self, concept: Concept) -> bool {
        self.found.iter().any(|(c, _)| *c == concept)
    }

    fn word(&self, concept: Concept) -> Option<&str> {
        self.found
            .iter()
            .find(|(c, _)| *c == concept)
            .map(|(_, word)| word.as_str())
    }

    fn because(&self, concept: Concept) -> String {
        match self.word(concept) {
            Some(word) => format!("'{word}' in the name"),
            None => "the name".to_owned(),
        }
    }
}

/// Recognises a column's role.
pub(crate) fn recognise(
    name: &str,
    unit: Option<SourceUnit>,
    unit_text: &str,
    look: &Look,
) -> Guess {
    let words = Words {
        found: concepts(name),
    };
    let mut guess = match unit {
        Some(unit) => by_unit(&words, unit, unit_text, look),
        None => by_words(&words, name, look),
    };
    guess.part = part_of(&words, guess.role);
    guess.rank += rank(&words, name, guess.role, look);
    guess
}

fn guess(role: Role, unit: Option<SourceUnit>, reason: String) -> Guess {
    Guess {
        role,
        unit,
        part: "package",
        reason,
        rank: 0.0,
        doubt: None,
    }
}

fn by_unit(words: &Words, unit: SourceUnit, text: &str, look: &Look) -> Guess {
    let because = format!("unit {text}");
    let with = |concept| format!("{because} and {}", words.because(concept));
    let limit = words.has(Concept::Limit) && !words.has(Concept::Throttle);
    match unit.quantity {
        Quantity::Temperature if words.has(Concept::Difference) => {
            guess(Role::Other, None, with(Concept::Difference))
        }
        Quantity::Temperature | Quantity::Power if limit => {
            guess(Role::Limit, Some(unit), with(Concept::Limit))
        }
        Quantity::Temperature if words.has(Concept::Coolant) => {
            guess(Role::Coolant, Some(unit), with(Concept::Coolant))
        }
        Quantity::Temperature if words.has(Concept::Room) => {
            guess(Role::Room, Some(unit), with(Concept::Room))
        }
        Quantity::Temperature => {
            let named = words.has(Concept::Temperature) || is_part_word(words);
            let mut found = guess(Role::Temperature, Some(unit), because);
            found.rank = if named { 0.0 } else { -10.0 };
            found
        }
        Quantity::Power => guess(Role::Power, Some(unit), because),
        Quantity::Energy => guess(Role::Energy, Some(unit), because),
        Quantity::Frequency => guess(Role::Clock, Some(unit), because),
        Quantity::Rotation if words.has(Concept::Pump) => {
            guess(Role::PumpSpeed, Some(unit), with(Concept::Pump))
        }
        Quantity::Rotation => guess(Role::FanSpeed, Some(unit), because),
        Quantity::Sound => guess(Role::Level, Some(unit), because),
        Quantity::Time => guess(
            Role::Other,
            None,
            format!("{because}, not used as the time"),
        ),
        Quantity::Share => by_share(words, unit, &because, look),
        Quantity::Other => guess(Role::Other, None, because),
    }
}

fn by_share(words: &Words, unit: SourceUnit, because: &str, look: &Look) -> Guess {
    let with = |concept| format!("{because} and {}", words.because(concept));
    let found = |role, concept| guess(role, Some(unit), with(concept));
    if words.has(Concept::Electric) {
        return guess(Role::Other, None, with(Concept::Electric));
    }
    if words.has(Concept::Throttle) {
        return found(Role::Throttle, Concept::Throttle);
    }
    if words.has(Concept::Fan) {
        return found(Role::FanDuty, Concept::Fan);
    }
    if words.has(Concept::Load) {
        return found(Role::Load, Concept::Load);
    }
    if words.has(Concept::Limit) || words.has(Concept::Power) {
        return guess(Role::Other, None, format!("{because}: a share, no watts"));
    }
    if words.has(Concept::Pump) || !is_part_word(words) || look.max > 101.0 {
        return guess(Role::Other, None, because.to_owned());
    }
    guess(Role::Load, Some(unit), format!("{because} of a part"))
}

fn is_part_word(words: &Words) -> bool {
    [
        Concept::Cpu,
        Concept::Core,
        Concept::Graphics,
        Concept::Die,
        Concept::Package,
    ]
    .iter()
    .any(|c| words.has(*c))
}

/// No unit: words decide, and the size of the values tells the unit.
fn by_words(words: &Words, name: &str, look: &Look) -> Guess {
    let because = |concept| words.because(concept);
    if words.has(Concept::Difference)
        || words.has(Concept::Electric) && !words.has(Concept::Throttle)
    {
        return guess(
            Role::Other,
            None,
            "no role for what the name says".to_owned(),
        );
    }
    if words.has(Concept::Throttle) {
        return guess(Role::Throttle, None, because(Concept::Throttle));
    }
    if words.has(Concept::Limit) {
        return limit_guess(words, look);
    }
    if words.has(Concept::Time) && !words.has(Concept::Temperature) {
        return guess(
            Role::Other,
            None,
            format!("{}, not used as the time", because(Concept::Time)),
        );
    }
    let rooms = [
        (Concept::Coolant, Role::Coolant),
        (Concept::Room, Role::Room),
    ];
    for (concept, role) in rooms {
        if words.has(concept) && !look.switch && (-40.0..120.0).contains(&look.median) {
            return temperature_guess(role, words, concept, look);
        }
    }
    if words.has(Concept::Pump) && look.max > 100.0 {
        return guess(
            Role::PumpSpeed,
            Some(units::RPM),
            format!("{}; taken as rpm", because(Concept::Pump)),
        );
    }
    if words.has(Concept::Fan) && !words.has(Concept::Temperature) && !words.has(Concept::Power) {
        return fan_guess(words, look);
    }
    if words.has(Concept::Temperature) && !look.switch {
        return temperature_guess(Role::Temperature, words, Concept::Temperature, look);
    }
    if words.has(Concept::Energy) {
        return energy_guess(words, Concept::Energy, look);
    }
    if words.has(Concept::Power) {
        return power_guess(words, Concept::Power, look);
    }
    if words.has(Concept::Rapl) {
        let concept = Concept::Rapl;
        return if look.rising {
            energy_guess(words, concept, look)
        } else {
            power_guess(words, concept, look)
        };
    }
    if words.has(Concept::Load) || words.has(Concept::Duty) {
        return load_guess(words, look);
    }
    if words.has(Concept::Clock) {
        return clock_guess(words, look);
    }
    if words.has(Concept::Level) {
        let mut found = guess(
            Role::Level,
            Some(units::DBA),
            format!("{}; taken as dB(A)", because(Concept::Level)),
        );
        found.doubt = Some((
            "dB(A)".to_owned(),
            vec!["dB(A)".into(), "some other scale".into()],
        ));
        return found;
    }
    if words.has(Concept::Score) {
        return guess(Role::Score, None, because(Concept::Score));
    }
    if words.has(Concept::Work) && !look.switch {
        return guess(Role::Work, None, because(Concept::Work));
    }
    numbered_guess(name, words, look)
}

fn limit_guess(words: &Words, look: &Look) -> Guess {
    let unit = if words.has(Concept::Temperature) {
        Some(units::CELSIUS)
    } else if words.has(Concept::Power) && look.max > 20_000.0 {
        Some(units::MILLI_WATT)
    } else if words.has(Concept::Power) {
        Some(units::WATT)
    } else {
        None
    };
    guess(Role::Limit, unit, words.because(Concept::Limit))
}

fn temperature_guess(role: Role, words: &Words, concept: Concept, look: &Look) -> Guess {
    let because = words.because(concept);
    let options = |list: &[&str]| list.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
    let (unit, doubt) = match look.median.abs() {
        m if m > 5000.0 => (units::MILLI_CELSIUS, None),
        m if m >= 400.0 && look.whole => {
            (units::TENTH_CELSIUS, Some(options(&["dCel", "K", "mCel"])))
        }
        m if (273.0..400.0).contains(&m) => (
            units::lookup("K").unwrap_or(units::CELSIUS),
            Some(options(&["K", "dCel", "[degF]"])),
        ),
        m if m > 125.0 => (units::FAHRENHEIT, Some(options(&["[degF]", "dCel", "Cel"]))),
        _ => (units::CELSIUS, None),
    };
    let reason = if doubt.is_some() {
        format!(
            "{because}; no unit, and values near {} suggest {}",
            brief(look.median),
            unit.code
        )
    } else {
        format!(
            "{because}; values near {} fit {}",
            brief(look.median),
            unit.code
        )
    };
    let mut found = guess(role, Some(unit), reason);
    found.doubt = doubt.map(|list| (unit.code.to_owned(), list));
    found
}

fn fan_guess(words: &Words, look: &Look) -> Guess {
    let because = words.because(Concept::Fan);
    if look.switch || look.max <= 1.0 {
        return guess(
            Role::FanDuty,
            Some(units::SHARE),
            format!("{because}; values 0 to 1"),
        );
    }
    if words.has(Concept::Duty) || look.max <= 100.0 {
        let unit = if look.max > 100.0 {
            units::EIGHT_BIT
        } else {
            units::PERCENT
        };
        return guess(
            Role::FanDuty,
            Some(unit),
            format!(
                "{because}; values up to {} taken as {}",
                brief(look.max),
                unit.code
            ),
        );
    }
    guess(
        Role::FanSpeed,
        Some(units::RPM),
        format!("{because}; values up to {} taken as rpm", brief(look.max)),
    )
}

fn energy_guess(words: &Words, concept: Concept, look: &Look) -> Guess {
    // A package draws 1 to 1000 W: totals that rise by millions are micro-joules.
    let unit = if look.median > 1e7 {
        units::MICRO_JOULE
    } else {
        units::JOULE
    };
    let mut found = guess(
        Role::Energy,
        Some(unit),
        format!("{}; taken as {}", words.because(concept), unit.code),
    );
    found.doubt = Some((
        unit.code.to_owned(),
        vec!["J".into(), "uJ".into(), "mJ".into(), "W.h".into()],
    ));
    found
}

fn power_guess(words: &Words, concept: Concept, look: &Look) -> Guess {
    let unit = match look.median {
        m if m > 5e5 => units::MICRO_WATT,
        m if m > 3000.0 => units::MILLI_WATT,
        _ => units::WATT,
    };
    let mut found = guess(
        Role::Power,
        Some(unit),
        format!(
            "{}; values near {} taken as {}",
            words.because(concept),
            brief(look.median),
            unit.code
        ),
    );
    if look.switch {
        found = guess(Role::Other, None, "a switch".to_owned());
    }
    found
}

fn load_guess(words: &Words, look: &Look) -> Guess {
    let concept = if words.has(Concept::Load) {
        Concept::Load
    } else {
        Concept::Duty
    };
    let because = words.because(concept);
    if look.max > 101.0 {
        return guess(
            Role::Other,
            None,
            format!(
                "{because}, but values up to {} are no share",
                brief(look.max)
            ),
        );
    }
    let unit = if look.max <= 1.0 {
        units::SHARE
    } else {
        units::PERCENT
    };
    guess(
        Role::Load,
        Some(unit),
        format!(
            "{because}; values up to {} taken as {}",
            brief(look.max),
            unit.code
        ),
    )
}

fn clock_guess(words: &Words, look: &Look) -> Guess {
    let unit = match look.median {
        m if m > 2e7 => units::HERTZ,
        m if m > 2e4 => units::KILO_HERTZ,
        m if m > 20.0 => units::MEGA_HERTZ,
        _ => units::GIGA_HERTZ,
    };
    guess(
        Role::Clock,
        Some(unit),
        format!(
            "{}; values near {} taken as {}",
            words.because(Concept::Clock),
            brief(look.median),
            unit.code
        ),
    )
}

/// What a role measures, where that is one thing.
pub(crate) fn quantity_of(role: Role) -> Option<Quantity> {
    match role {
        Role::Temperature | Role::Coolant | Role::Room => Some(Quantity::Temperature),
        Role::Power => Some(Quantity::Power),
        Role::Energy => Some(Quantity::Energy),
        Role::Clock => Some(Quantity::Frequency),
        Role::FanSpeed | Role::PumpSpeed => Some(Quantity::Rotation),
        Role::FanDuty | Role::Load => Some(Quantity::Share),
        Role::Level => Some(Quantity::Sound),
        _ => None,
    }
}

/// The unit that values of a stated role are probably in, with other readings if it is unsure.
pub(crate) fn unit_for(
    role: Role,
    look: &Look,
) -> (Option<SourceUnit>, Option<(String, Vec<String>)>) {
    let none = Words { found: Vec::new() };
    let guess = match role {
        Role::Temperature | Role::Coolant | Role::Room => {
            temperature_guess(role, &none, Concept::Temperature, look)
        }
        Role::Power => power_guess(&none, Concept::Power, look),
        Role::Energy => energy_guess(&none, Concept::Energy, look),
        Role::Clock => clock_guess(&none, look),
        Role::FanDuty | Role::Load => {
            let unit = if look.max <= 1.0 {
                units::SHARE
            } else {
                units::PERCENT
            };
            return (Some(unit), None);
        }
        _ => return (quantity_of(role).and_then(units::kept_unit), None),
    };
    (
        guess
            .unit
            .or_else(|| quantity_of(role).and_then(units::kept_unit)),
        guess.doubt,
    )
}

/// `t1`, `T2`: temperatures, if the values can be.
fn numbered_guess(name: &str, words: &Words, look: &Look) -> Guess {
    let first = tokens(name);
    let lettered = name != "t"
        && first.first().is_some_and(|t| t == "t")
        && first.iter().skip(1).all(|t| {
            t.trim_start_matches('t')
                .chars()
                .all(|c| c.is_ascii_digit())
        });
    let plausible = look.min > -45.0 && look.max < 130.0 && look.max > 5.0;
    if lettered && plausible && !look.switch {
        let mut found = guess(
            Role::Temperature,
            Some(units::CELSIUS),
            format!(
                "'{name}' and values from {} to {} suggest a temperature",
                brief(look.min),
                brief(look.max)
            ),
        );
        found.rank = -25.0;
        found.doubt = Some((
            "a temperature in Cel".to_owned(),
            vec!["a temperature in Cel".into(), "something else".into()],
        ));
        return found;
    }
    let said: Vec<&str> = words.found.iter().map(|(_, w)| w.as_str()).collect();
    let reason = if said.is_empty() {
        "no word or unit that is known"
    } else {
        "its words name no reading"
    };
    guess(Role::Other, None, reason.to_owned())
}

fn part_of(words: &Words, role: Role) -> &'static str {
    let parts = [
        (Concept::Memory, "memory"),
        (Concept::Drive, "drive"),
        (Concept::Supply, "supply"),
        (Concept::Battery, "battery"),
        (Concept::Graphics, "graphics"),
        (Concept::Package, "package"),
        (Concept::Cpu, "package"),
        (Concept::Core, "package"),
        (Concept::Die, "package"),
        (Concept::Board, "board"),
        (Concept::Wall, "wall"),
    ];
    match role {
        Role::Coolant | Role::PumpSpeed => return "coolant",
        Role::Room | Role::Level => return "room",
        _ => {}
    }
    parts
        .iter()
        .find(|(concept, _)| words.has(*concept))
        .map_or("package", |(_, part)| part)
}

/// How well a column stands for its role: the package's own channel first, then means over cores,
/// single cores, other parts.
fn rank(words: &Words, name: &str, role: Role, look: &Look) -> f64 {
    let numbered = name.chars().any(|c| c.is_ascii_digit());
    let mut rank = 50.0;
    let mut add = |concept, points: f64| {
        if words.has(concept) {
            rank += points;
        }
    };
    add(Concept::Package, 50.0);
    add(Concept::Die, 20.0);
    add(Concept::Cpu, 20.0);
    add(Concept::Average, 4.0);
    add(Concept::Total, 6.0);
    add(Concept::Graphics, -25.0);
    add(Concept::Memory, -45.0);
    add(Concept::Drive, -45.0);
    add(Concept::Board, -40.0);
    add(Concept::Supply, -40.0);
    add(Concept::Battery, -45.0);
    add(Concept::Wall, -20.0);
    add(Concept::HotSpot, -6.0);
    add(Concept::Least, -12.0);
    match role {
        Role::Clock => {
            add(Concept::Bus, -60.0);
            add(Concept::Core, 10.0);
        }
        Role::Power => {
            add(Concept::Fan, -60.0);
            add(Concept::Pump, -60.0);
            add(Concept::Bus, -40.0);
            add(Concept::Core, -15.0);
        }
        Role::Temperature => {
            add(Concept::Case, -35.0);
            add(Concept::Bus, -20.0);
            add(Concept::Fan, -20.0);
        }
        Role::FanSpeed | Role::FanDuty => add(Concept::Case, -10.0),
        Role::Limit => add(Concept::Power, 10.0),
        _ => {}
    }
    let core = words.has(Concept::Core);
    if core && numbered {
        rank -= 10.0;
    }
    if words.has(Concept::Most) {
        rank += if core { 2.0 } else { -8.0 };
    }
    // A sensor that says nothing cannot stand for anything.
    let dead = look.present == 0 || (look.min == 0.0 && look.max == 0.0 && role != Role::FanSpeed);
    if dead { rank - 200.0 } else { rank }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(min: f64, max: f64) -> Look {
        Look {
            min,
            max,
            median: f64::midpoint(min, max),
            present: 100,
            whole: true,
            rising: false,
            switch: false,
        }
    }

    fn role(name: &str, min: f64, max: f64) -> (Role, Option<&'static str>) {
        let unit = unit_in_name(name);
        let text = unit.as_ref().map_or(String::new(), |u| u.1.clone());
        let found = recognise(name, unit.map(|u| u.0), &text, &look(min, max));
        (found.role, found.unit.map(|u| u.code))
    }

    #[test]
    fn units_and_words() {
        let all = [
            ("CPU_Power_W_Actual", 10.0, 50.0, Role::Power, Some("W")),
            ("Set_PPT_W", 15.0, 55.0, Role::Limit, Some("W")),
            ("power_limit_w", 700.0, 700.0, Role::Limit, Some("W")),
            (
                "CPU Temperature (°C)",
                30.0,
                90.0,
                Role::Temperature,
                Some("Cel"),
            ),
            ("Ambient_Temp_C", 22.0, 23.0, Role::Room, Some("Cel")),
            ("CPU_Fan_RPM", 600.0, 2000.0, Role::FanSpeed, Some("{rpm}")),
            (
                "Lüfter (U/min)",
                600.0,
                2000.0,
                Role::FanSpeed,
                Some("{rpm}"),
            ),
            ("cooler_%", 0.0, 100.0, Role::FanDuty, Some("%")),
            ("CPU Usage (%)", 0.0, 100.0, Role::Load, Some("%")),
            ("frequency", 1.5e9, 2.5e9, Role::Clock, Some("Hz")),
            ("core_clock_mhz", 1000.0, 2000.0, Role::Clock, Some("MHz")),
            ("energy_uj", 0.0, 1e9, Role::Energy, Some("uJ")),
            ("CPU Core Voltage (V)", 0.5, 1.4, Role::Other, None),
            ("vazao_L_min", 0.0, 19.0, Role::Other, None),
            ("Heater 1 (%)", 0.0, 100.0, Role::Other, None),
            ("Worker_Threads", 6.0, 6.0, Role::Other, None),
            ("event_reasons", 0.0, 4.0, Role::Throttle, None),
            ("T / K", 290.0, 340.0, Role::Temperature, Some("K")),
            ("temp_mC", 45000.0, 60000.0, Role::Temperature, Some("mCel")),
            ("Schallpegel", 20.0, 40.0, Role::Level, Some("dB(A)")),
            ("level dB(A)", 20.0, 40.0, Role::Level, Some("dB(A)")),
            ("LAeq (dB(A))", 20.0, 40.0, Role::Level, Some("dB(A)")),
            ("水温", 25.0, 40.0, Role::Coolant, Some("Cel")),
            ("CPU消費電力", 10.0, 90.0, Role::Power, Some("W")),
            ("Частота ядра, МГц", 800.0, 4000.0, Role::Clock, Some("MHz")),
            ("work_gflop", 0.0, 1e6, Role::Work, None),
            ("set point 1 (degC)", 23.0, 23.0, Role::Limit, Some("Cel")),
        ];
        for (name, min, max, wanted, unit) in all {
            assert_eq!(role(name, min, max), (wanted, unit), "{name}");
        }
    }

    #[test]
    fn the_package_comes_before_cores_and_other_parts() {
        let rank = |name: &str| recognise(name, Some(units::CELSIUS), "C", &look(30.0, 80.0)).rank;
        assert!(rank("CPU Package") > rank("CPU"));
        assert!(rank("CPU") > rank("Core 3"));
        assert!(rank("Core Average") > rank("Core 3"));
        assert!(rank("Core 3") > rank("Drive 1"));
        assert!(rank("die_temp_c") > rank("memory_temp_c"));
        assert!(rank("tempave") > rank("tempmin"));
    }
}
