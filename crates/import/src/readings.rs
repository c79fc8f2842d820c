//! Columns of numbers to channels: role, unit, sentinels, counters.

use settlepoint_domain::{Averaging, Channel, Finding, Role, Severity, Unit};

use crate::clock::brief;
use crate::imported::Question;
use crate::options::{ChannelOverride, ColumnRef, ImportOptions};
use crate::roles::{self, Guess, Look};
use crate::say::{counted, times};
use crate::units::{self, Quantity, SourceUnit};

/// What is known of a column before its values are looked at.
#[derive(Clone, Debug)]
pub(crate) struct Source {
    pub(crate) name: String,
    /// 1-based.
    pub(crate) number: usize,
    /// It was one of several readings in a column; a recipe knows it by no number.
    pub(crate) from_long_form: bool,
    pub(crate) header_unit: Option<SourceUnit>,
    /// The unit as written in a row of units or a unit column.
    pub(crate) row_unit: Option<String>,
    pub(crate) switch: bool,
    /// A unit that stood in the cells: values are converted already.
    pub(crate) measured: Option<SourceUnit>,
    pub(crate) stated: Option<ChannelOverride>,
    pub(crate) has_header: bool,
    /// A cell whose comma may be decimal or stand between thousands.
    pub(crate) mark_doubt: Option<String>,
}

/// Channels in order of choice, and what came up.
#[derive(Debug, Default)]
pub(crate) struct Built {
    pub(crate) channels: Vec<Channel>,
    pub(crate) mapping: Vec<ChannelOverride>,
    pub(crate) findings: Vec<Finding>,
    pub(crate) questions: Vec<Question>,
}

/// A channel with what orders it among others.
struct Ranked {
    channel: Channel,
    rank: f64,
    stated: bool,
    mapping: Option<ChannelOverride>,
}

/// Builds the channels from columns as read, in the log's row order.
pub(crate) fn channels(
    columns: Vec<(Source, Vec<f64>)>,
    time_s: &[f64],
    time_known: bool,
    options: &ImportOptions,
) -> Built {
    let mut built = Built::default();
    let mut ranked = Vec::new();
    for (source, values) in columns {
        if source.name.is_empty() && values.iter().all(|v| v.is_nan()) {
            continue;
        }
        column_to_channels(
            source,
            values,
            time_s,
            time_known,
            options,
            &mut built,
            &mut ranked,
        );
    }
    // Stated ones first, then by rank; equal ranks keep the file's order.
    ranked.sort_by(|a, b| b.stated.cmp(&a.stated).then(b.rank.total_cmp(&a.rank)));
    pair_power(&mut ranked);
    ask_about_ties(&ranked, &mut built);
    for entry in ranked {
        built.mapping.extend(entry.mapping);
        built.channels.push(entry.channel);
    }
    note_missing_roles(&mut built);
    built
        .findings
        .extend(power_of_another_part(&built.channels));
    built
}

/// The first channel of a role that has a reading.
fn first_of(channels: &[Channel], role: Role) -> Option<&Channel> {
    channels
        .iter()
        .find(|c| c.role == role && c.missing() < c.values.len())
}

/// Puts the power of the part whose temperature comes first before that of other parts, unless the
/// user stated one.
fn pair_power(ranked: &mut [Ranked]) {
    let has_reading = |r: &Ranked| r.channel.missing() < r.channel.values.len();
    let of_role = |role: Role| {
        ranked
            .iter()
            .position(|r| r.channel.role == role && has_reading(r))
    };
    let (Some(temperature), Some(power)) = (of_role(Role::Temperature), of_role(Role::Power))
    else {
        return;
    };
    let part = &ranked[temperature].channel.part;
    if ranked[power].stated || ranked[power].channel.part == *part {
        return;
    }
    let own = ranked
        .iter()
        .position(|r| r.channel.role == Role::Power && r.channel.part == *part && has_reading(r));
    if let Some(own) = own {
        ranked[own].rank = ranked[power].rank + 1.0;
        ranked[power..=own].rotate_right(1);
    }
}

/// A power at the wall, say, beside the package's temperature: their K/W is not the cooling's.
fn power_of_another_part(channels: &[Channel]) -> Option<Finding> {
    let power = first_of(channels, Role::Power)?;
    let temperature = first_of(channels, Role::Temperature)?;
    let stated = power.reason == "stated" || temperature.reason == "stated";
    (power.part != temperature.part && !stated).then(|| Finding {
        rule: "power_of_another_part",
        severity: Severity::Warning,
        run: None,
        evidence: format!(
            "the power in column {} '{}' belongs to the {}, the temperature in column {} '{}' to \
             the {}: a K/W of the two is not the cooling's",
            power.column_number,
            power.column,
            power.part,
            temperature.column_number,
            temperature.column,
            temperature.part
        ),
        remedy: format!(
            "log the power of the {} itself, or name its column with --channel power=COLUMN",
            temperature.part
        ),
    })
}

/// Smallest, largest, typical value and shape of a column.
pub(crate) fn look_at(values: &[f64], source: &Source) -> Look {
    let (mut min, mut max, mut present) = (f64::INFINITY, f64::NEG_INFINITY, 0);
    let (mut whole, mut falls, mut rises) = (true, false, false);
    let mut last = f64::NAN;
    for value in values.iter().copied().filter(|v| !v.is_nan()) {
        min = min.min(value);
        max = max.max(value);
        present += 1;
        whole &= value.fract() == 0.0;
        falls |= value < last;
        rises |= value > last;
        last = value;
    }
    Look {
        min,
        max,
        median: median(values),
        present,
        whole,
        rising: rises && !falls,
        switch: source.switch || (min >= 0.0 && max <= 1.0 && whole && present > 0),
    }
}

/// Median of up to 4096 values spread over the column.
fn median(values: &[f64]) -> f64 {
    let stride = values.len() / 4096 + 1;
    let mut some: Vec<f64> = values
        .iter()
        .copied()
        .step_by(stride)
        .filter(|v| !v.is_nan())
        .collect();
    some.sort_by(f64::total_cmp);
    some.get(some.len() / 2).copied().unwrap_or(f64::NAN)
}

fn column_to_channels(
    source: Source,
    mut values: Vec<f64>,
    time_s: &[f64],
    time_known: bool,
    options: &ImportOptions,
    built: &mut Built,
    ranked: &mut Vec<Ranked>,
) {
    let look = look_at(&values, &source);
    let guess = guess_for(&source, &look);
    let (scale, unit) = conversion(&source, &guess);
    convert(&mut values, scale, unit);
    sentinels(&source, guess.role, &look, &mut values, built);
    doubts(&source, &guess, built);
    let counts_up = is_total(&values);
    let part = match (&options.part, guess.part) {
        (Some(part), "package") => part.clone(),
        (_, part) => part.to_owned(),
    };
    let kept = unit.map_or(Unit::None, |u| u.quantity.kept_in());
    let kept = if guess.role == Role::Other {
        Unit::None
    } else {
        kept_for(guess.role, kept)
    };
    let stated = source.stated.is_some();
    let mut rank = guess.rank;
    if guess.role == Role::Energy && counts_up && time_known {
        let power = mean_power(&source.name, &mut values, time_s, unit, built);
        ranked.push(Ranked {
            channel: Channel {
                role: Role::Power,
                column: source.name.clone(),
                column_number: source.number,
                unit: Unit::Watt,
                part: part.clone(),
                reason: format!(
                    "{}; mean power from a running total of energy",
                    guess.reason
                ),
                resolution: None,
                averaging: Averaging::Counter,
                values: power,
            },
            // A power that was logged as such comes before one derived of the same part.
            rank: rank - 3.0,
            stated: false,
            mapping: None,
        });
    }
    if look.present == 0 {
        rank -= 200.0;
    }
    let in_recipe = guess.role != Role::Other && !source.from_long_form;
    let mapping = in_recipe.then(|| ChannelOverride {
        role: guess.role,
        column: ColumnRef::Number(source.number),
        text: source.name.clone(),
        scale,
        unit,
    });
    let channel = Channel {
        role: guess.role,
        column: source.name,
        column_number: source.number,
        unit: kept,
        part,
        reason: guess.reason,
        resolution: resolution(&values),
        averaging: Averaging::Instant,
        values,
    };
    ranked.push(Ranked {
        channel,
        rank,
        stated,
        mapping,
    });
}

/// A limit keeps watts or degrees, others have one unit each.
fn kept_for(role: Role, unit: Unit) -> Unit {
    match role {
        Role::Power => Unit::Watt,
        Role::Energy => Unit::Joule,
        Role::Temperature | Role::Coolant | Role::Room => Unit::Celsius,
        Role::FanSpeed | Role::PumpSpeed => Unit::Rpm,
        Role::FanDuty | Role::Load => Unit::Share,
        Role::Clock => Unit::Megahertz,
        Role::Level => Unit::Dba,
        _ => unit,
    }
}

/// The role: stated, or recognised.
fn guess_for(source: &Source, look: &Look) -> Guess {
    let written = source.measured.or(source.header_unit);
    let text = written.map_or_else(String::new, |u| unit_text(source, u));
    let name = if source.has_header {
        source.name.as_str()
    } else {
        ""
    };
    let recognised = roles::recognise(name, written, &text, look);
    let Some(stated) = &source.stated else {
        return recognised;
    };
    let assumed = roles::unit_for(stated.role, look);
    let fits =
        |unit: &SourceUnit| roles::quantity_of(stated.role).is_none_or(|q| q == unit.quantity);
    let scaled = (stated.scale - 1.0).abs() > f64::EPSILON;
    let plain = roles::quantity_of(stated.role).and_then(units::kept_unit);
    let (unit, doubt) = if let Some(unit) = stated.unit {
        (Some(unit), None)
    } else if scaled {
        (plain, None)
    } else if let Some(unit) = written.filter(fits) {
        (Some(unit), None)
    } else {
        assumed
    };
    Guess {
        role: stated.role,
        unit,
        part: recognised.part,
        reason: "stated".to_owned(),
        rank: recognised.rank,
        doubt,
    }
}

fn unit_text(source: &Source, unit: SourceUnit) -> String {
    if source.measured.is_some() {
        return format!("{} in the cells", unit.code);
    }
    match &source.row_unit {
        Some(text) => format!("{text} in the units row"),
        None => roles::unit_in_name(&source.name).map_or(unit.code.to_owned(), |(_, text)| text),
    }
}

/// Factor and unit to be applied to the values as read.
fn conversion(source: &Source, guess: &Guess) -> (f64, Option<SourceUnit>) {
    let scale = source.stated.as_ref().map_or(1.0, |s| s.scale);
    match source.measured {
        // Cells with units were converted as they were read.
        Some(unit) => (scale, units::kept_unit(unit.quantity)),
        None => (scale, guess.unit),
    }
}

#[expect(clippy::float_cmp, reason = "1 is the factor that stands for none")]
fn convert(values: &mut [f64], scale: f64, unit: Option<SourceUnit>) {
    if scale != 1.0 {
        for value in values.iter_mut() {
            *value *= scale;
        }
    }
    if let Some(unit) = unit.filter(|u| !u.is_identity()) {
        for value in values.iter_mut() {
            *value = unit.convert(*value);
        }
    }
}

fn is_total(values: &[f64]) -> bool {
    let (mut up, mut down, mut shallow, mut last) = (0_usize, 0_usize, 0_usize, f64::NAN);
    for value in values.iter().copied().filter(|v| !v.is_nan()) {
        up += usize::from(value > last);
        down += usize::from(value < last);
        shallow += usize::from(value < last && value > 0.1 * last);
        last = value;
    }
    // A counter that wraps falls once in a while, and far.
    up > 0 && shallow == 0 && (down * 20 <= up || (down == 1 && up > 1))
}

/// Smallest step between distinct values, of up to 4096 spread over the column.
fn resolution(values: &[f64]) -> Option<f64> {
    let stride = values.len() / 4096 + 1;
    let mut some: Vec<f64> = values
        .iter()
        .copied()
        .step_by(stride)
        .filter(|v| !v.is_nan())
        .collect();
    some.sort_by(f64::total_cmp);
    let range = some.last()? - some.first()?;
    // Differences this small are rounding, not steps.
    let noise = 1e-9 * range.max(some.last()?.abs());
    some.windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > noise)
        .min_by(f64::total_cmp)
}

/// Values by which sensors and drivers say "no reading".
fn is_sentinel_temp(value: f64) -> bool {
    // No sensor here reads below the boiling point of liquid nitrogen (-196 °C).
    value <= -196.0
        || [-127.0, -128.0, -99.0, -100.0]
            .iter()
            .any(|s| (value - s).abs() < 1e-9)
        || value >= 250.0
}

fn sentinels(source: &Source, role: Role, look: &Look, values: &mut [f64], built: &mut Built) {
    match role {
        Role::Temperature | Role::Coolant | Role::Room => temp_sentinels(source, values, built),
        Role::Power | Role::Clock | Role::FanSpeed | Role::PumpSpeed | Role::Load => {
            negative_sentinels(source, role, values, built);
        }
        _ => {}
    }
    let dead = look.present > 0 && look.min == 0.0 && look.max == 0.0;
    let counts = matches!(
        role,
        Role::Temperature | Role::Coolant | Role::Room | Role::Power | Role::Clock
    );
    if dead && counts {
        values.fill(f64::NAN);
        built.findings.push(sentinel_finding(
            "dead_sensor",
            source,
            &match look.present {
                1 => "its only reading is 0".to_owned(),
                n => format!("all {n} readings are 0"),
            },
        ));
        built.questions.push(sentinel_question(source, "0"));
    }
}

fn temp_sentinels(source: &Source, values: &mut [f64], built: &mut Built) {
    let mut distinct: Vec<f64> = Vec::new();
    let mut hits = 0_usize;
    let (mut zeros, mut others, mut least) = (0_usize, 0_usize, f64::INFINITY);
    for value in values.iter().copied().filter(|v| !v.is_nan()) {
        if is_sentinel_temp(value) {
            hits += 1;
            if distinct.len() <= 4 && !distinct.iter().any(|d| d.total_cmp(&value).is_eq()) {
                distinct.push(value);
            }
        } else if value == 0.0 {
            zeros += 1;
        } else {
            others += 1;
            least = least.min(value);
        }
    }
    // Many different values out there are a measurement of something else, or a wrong unit.
    if hits > 0 && distinct.len() <= 4 {
        values
            .iter_mut()
            .filter(|v| is_sentinel_temp(**v))
            .for_each(|v| *v = f64::NAN);
        let list: Vec<String> = distinct.iter().map(|v| brief(*v)).collect();
        let list = list.join(", ");
        built.findings.push(sentinel_finding(
            "sentinel_values",
            source,
            &format!("{} of {list} °C", counted(hits, "reading")),
        ));
        built.questions.push(sentinel_question(source, &list));
    } else if hits > 0 {
        built.findings.push(Finding {
            rule: "implausible_values",
            severity: Severity::Warning,
            run: None,
            evidence: format!(
                "column {} '{}': {} below -196 or above 250 °C",
                source.number,
                source.name,
                counted(hits, "reading")
            ),
            remedy: format!(
                "state the unit: --channel temperature=\"col {}@UNIT\"",
                source.number
            ),
        });
    }
    // A sensor near room temperature does not fall to exactly 0 and come back.
    if zeros > 0 && others > 0 && least > 8.0 {
        values
            .iter_mut()
            .filter(|v| **v == 0.0)
            .for_each(|v| *v = f64::NAN);
        built.findings.push(sentinel_finding(
            "sentinel_values",
            source,
            &format!(
                "{} of exactly 0 where all others are above {}",
                counted(zeros, "reading"),
                brief(least)
            ),
        ));
        built.questions.push(sentinel_question(source, "0"));
    }
}

fn negative_sentinels(source: &Source, role: Role, values: &mut [f64], built: &mut Built) {
    let ceiling = match role {
        Role::FanSpeed | Role::PumpSpeed | Role::Power | Role::Clock => 60_000.0,
        _ => f64::INFINITY,
    };
    // Power may be negative where a battery charges; -1 alone means "no reading".
    let bad = |v: f64| match role {
        Role::Power => (v + 1.0).abs() < 1e-12 || v > ceiling,
        _ => v < 0.0 || v > ceiling,
    };
    let hits = values.iter().filter(|v| bad(**v)).count();
    if hits == 0 {
        return;
    }
    let example = values.iter().copied().find(|v| bad(*v)).unwrap_or(0.0);
    values
        .iter_mut()
        .filter(|v| bad(**v))
        .for_each(|v| *v = f64::NAN);
    built.findings.push(sentinel_finding(
        "sentinel_values",
        source,
        &format!("{} such as {}", counted(hits, "reading"), brief(example)),
    ));
    built
        .questions
        .push(sentinel_question(source, &brief(example)));
}

fn sentinel_finding(rule: &'static str, source: &Source, what: &str) -> Finding {
    Finding {
        rule,
        severity: Severity::Warning,
        run: None,
        evidence: format!(
            "column {} '{}': {what}; not believed, taken as missing",
            source.number, source.name
        ),
        remedy: "leave it, or state the column as role 'other' if the readings are real".to_owned(),
    }
}

fn sentinel_question(source: &Source, values: &str) -> Question {
    Question {
        about: format!("whether {values} in column '{}' is a reading", source.name),
        options: vec!["missing".into(), "a reading".into()],
        chosen: "missing".to_owned(),
        reason: "sensors report such values when they cannot be read".to_owned(),
        answer_with: format!("--channel other=\"col {}\"", source.number),
    }
}

fn doubts(source: &Source, guess: &Guess, built: &mut Built) {
    if let Some((chosen, options)) = &guess.doubt {
        built.questions.push(Question {
            about: format!("unit of column '{}'", source.name),
            options: options.clone(),
            chosen: chosen.clone(),
            reason: guess.reason.clone(),
            answer_with: format!("--channel {}=\"col {}@UNIT\"", guess.role, source.number),
        });
    }
    if let Some(example) = &source.mark_doubt {
        built.questions.push(Question {
            about: format!(
                "whether the comma in '{example}' (column '{}') is a decimal mark",
                source.name
            ),
            options: vec!["decimal mark".into(), "thousands mark".into()],
            chosen: "decimal mark".to_owned(),
            reason: "no cell of the file tells".to_owned(),
            answer_with: format!("--channel {}=\"col {}*1000\"", guess.role, source.number),
        });
    }
}

/// Steps at which counters start again, in J: whole counts of 2^32 and of 2^16 in the units in use,
/// and the usual range of package counters, 262143.328850 J (powercap documentation of the Linux
/// kernel; 2^32 units of 61 µJ) and 65532.610987 J (units of 15.3 µJ).
fn wrap_ranges(unit: Option<SourceUnit>) -> Vec<f64> {
    let unit = unit.unwrap_or(units::JOULE);
    let mut ranges = vec![262_143.328_850, 65_532.610_987];
    ranges.extend([16, 24, 32, 48].map(|bits| unit.convert(2_f64.powi(bits))));
    ranges
}

/// Mean power over each step from a running total, which is made to rise on the way. The first
/// row has none, nor has a step of no length or one across a reset.
fn mean_power(
    name: &str,
    energy_j: &mut [f64],
    time_s: &[f64],
    unit: Option<SourceUnit>,
    built: &mut Built,
) -> Vec<f64> {
    let typical = typical_rise(energy_j);
    let ranges = wrap_ranges(unit);
    let mut power_w = vec![f64::NAN; energy_j.len()];
    let (mut carried, mut wraps, mut resets) = (0.0, 0_usize, 0_usize);
    let mut last: Option<(usize, f64, f64)> = None;
    for row in 0..energy_j.len() {
        let raw = energy_j[row];
        if raw.is_nan() {
            continue;
        }
        let mut broken = false;
        if let Some((_, raw_before, _)) = last
            && raw < raw_before
        {
            let fits = |range: &&f64| {
                let rise = raw + **range - raw_before;
                rise >= 0.0 && rise <= 20.0 * typical.max(1e-9)
            };
            if let Some(range) = ranges.iter().filter(fits).min_by(|a, b| a.total_cmp(b)) {
                carried += range;
                wraps += 1;
            } else {
                carried += raw_before - raw;
                resets += 1;
                broken = true;
            }
        }
        let total = raw + carried;
        energy_j[row] = total;
        if let Some((before, _, total_before)) = last {
            let step = time_s[row] - time_s[before];
            if step > 0.0 && !broken {
                power_w[row] = (total - total_before) / step;
            }
        }
        last = Some((row, raw, total));
    }
    if wraps + resets > 0 {
        built.findings.push(Finding {
            rule: "energy_counter_wraps",
            severity: if resets > 0 {
                Severity::Warning
            } else {
                Severity::Note
            },
            run: None,
            evidence: format!(
                "'{name}' starts again {}: {wraps} at a known range, {resets} not",
                times(wraps + resets)
            ),
            remedy: if resets > 0 {
                "leave it, or split the log where the counter starts again: power is missing \
                 across a start at no known range"
            } else {
                "do nothing: the energy was carried on across the known range"
            }
            .to_owned(),
        });
    }
    power_w
}

/// Median rise between rows.
fn typical_rise(values: &[f64]) -> f64 {
    let mut rises: Vec<f64> = values
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.0)
        .take(20_000)
        .collect();
    rises.sort_by(f64::total_cmp);
    rises.get(rises.len() / 2).copied().unwrap_or(0.0)
}

/// Roles of which one channel is used: equal claims are asked about.
fn ask_about_ties(ranked: &[Ranked], built: &mut Built) {
    for role in [
        Role::Temperature,
        Role::Power,
        Role::Clock,
        Role::FanSpeed,
        Role::Room,
        Role::Coolant,
    ] {
        let mut list = ranked.iter().filter(|r| r.channel.role == role);
        let Some(first) = list.next() else { continue };
        let equal: Vec<&Ranked> = list
            .filter(|r| r.stated == first.stated && (first.rank - r.rank).abs() < 1.0)
            .collect();
        if equal.is_empty() || first.stated {
            continue;
        }
        let mut options = vec![first.channel.column.clone()];
        options.extend(equal.iter().map(|r| r.channel.column.clone()));
        built.questions.push(Question {
            about: format!("which column is the {role} of the package"),
            options,
            chosen: first.channel.column.clone(),
            reason: "nothing in names or units sets one above the others; the first was taken"
                .to_owned(),
            answer_with: format!("--channel {role}=COLUMN"),
        });
    }
}

/// Without a temperature or power the log is of little use: say what could be one.
fn note_missing_roles(built: &mut Built) {
    for (role, unit) in [
        (Role::Temperature, Quantity::Temperature),
        (Role::Power, Quantity::Power),
    ] {
        if built.channels.iter().any(|c| c.role == role) {
            continue;
        }
        let candidates: Vec<String> = built
            .channels
            .iter()
            .filter(|c| c.role == Role::Other && c.missing() < c.values.len())
            .take(12)
            .map(|c| {
                let (lo, hi) = c.range().unwrap_or((0.0, 0.0));
                format!("{} ({} to {})", c.column, brief(lo), brief(hi))
            })
            .collect();
        if candidates.is_empty() {
            continue;
        }
        built.questions.push(Question {
            about: format!("which column is the {role}"),
            options: candidates,
            chosen: "none".to_owned(),
            reason: "no column has a word or unit for it".to_owned(),
            answer_with: format!("--channel {role}=\"COLUMN@{}\"", unit.kept_in().code()),
        });
    }
}
