//! Two coolings of one machine: whether new fans, paste, positions or dust changed anything.
//!
//! The change of K/W is read from one posterior over both (see [`joint`](mod@crate::joint)) at fan
//! speeds, and at levels of the fans, that both sides reached, at one power and in one room. Rooms
//! that differed between the sides, averages that hold a warm-up and fans that moved are what the
//! models are for; nothing is read off the averages directly.

use settlepoint_domain::{Estimate, PhaseKind, Workload};

use crate::evidence::{Reading, RunEvidence, Window};
use crate::fit::InferError;
use crate::joint::{
    At, Change, Group, Joint, fan_level_dba, joint, resistance_k_per_w, share_at_level,
    share_at_rpm,
};
use crate::layout::Key;

/// One side.
#[derive(Clone, Debug, PartialEq)]
pub struct Side {
    /// The cooling's name.
    pub name: String,
    /// Its runs.
    pub runs: Vec<RunEvidence>,
    /// Full fan speed where the owner knows it, rpm.
    pub fan_max_rpm: Option<f64>,
}

/// What is asked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// Smallest change of K/W that matters, percent.
    pub smallest_pct: f64,
    /// Whether voltage, cores, memory or firmware differ between the sides: then the package's
    /// parameters may, too.
    pub tunes_differ: bool,
}

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Less K/W.
    Better,
    /// More K/W.
    Worse,
    /// Whatever the change is, it is smaller than what matters.
    NoDifference,
    /// The runs do not tell.
    CannotTell,
}

impl Verdict {
    /// The token in JSON.
    pub const fn token(self) -> &'static str {
        match self {
            Self::Better => "better",
            Self::Worse => "worse",
            Self::NoDifference => "no_difference",
            Self::CannotTell => "cannot_tell",
        }
    }

    /// From the interval of a change, percent. "No difference" goes first: a change that is surely
    /// there and surely too small to matter is none.
    fn of(change_pct: Estimate, smallest_pct: f64) -> Self {
        if change_pct.lo > -smallest_pct && change_pct.hi < smallest_pct {
            Self::NoDifference
        } else if change_pct.hi < 0.0 {
            Self::Better
        } else if change_pct.lo > 0.0 {
            Self::Worse
        } else {
            Self::CannotTell
        }
    }
}

/// Both sides at one fan speed or level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// The speed, rpm, or the level, dB(A); `None` for the fan's own speed, where neither is known.
    pub at: Option<f64>,
    /// K/W before.
    pub before_k_per_w: Estimate,
    /// K/W after.
    pub after_k_per_w: Estimate,
    /// Change, percent of before.
    pub change_pct: Estimate,
    /// What it means at the power of [`BeforeAfter::at`], K.
    pub change_k: Estimate,
    /// In one word.
    pub verdict: Verdict,
}

/// Rows at a few speeds or levels, the middle one first, or what is missing.
#[derive(Clone, Debug, PartialEq)]
pub enum Rows {
    /// The rows; whether the sides overlap there.
    Known {
        /// Middle, then low and high where they differ.
        rows: Vec<Row>,
        /// Whether both sides reached the middle one.
        both_reached: bool,
    },
    /// The measurement that would tell, as a noun phrase.
    Unknown(&'static str),
}

impl Rows {
    /// The middle row.
    pub fn middle(&self) -> Option<&Row> {
        match self {
            Self::Known { rows, .. } => rows.first(),
            Self::Unknown(_) => None,
        }
    }
}

/// The comparison.
#[derive(Clone, Debug, PartialEq)]
pub struct BeforeAfter {
    /// Power and room at which it is stated.
    pub at: At,
    /// At equal fan speed.
    pub at_equal_speed: Rows,
    /// At equal level of the fans.
    pub at_equal_level: Rows,
    /// Level of the fans at equal speed, after minus before, dB, with the speed.
    pub level_at_speed_db: Option<(f64, Estimate)>,
    /// How the change differs between the lowest and the highest common speed, in percent points
    /// (low minus high), where both were compared.
    pub tilt_points: Option<Estimate>,
    /// Whether the fans and their curve were taken to be unchanged for want of readings.
    pub fans_assumed: bool,
    /// The answer.
    pub verdict: Verdict,
}

/// Compares two coolings of one machine.
///
/// # Errors
/// A side without runs or temperatures, or a fit that comes to no end.
pub fn before_after(
    workloads: &[Workload],
    before: &Side,
    after: &Side,
    question: Question,
) -> Result<BeforeAfter, InferError> {
    for side in [before, after] {
        if loads(side).all(|w| w.package_c.is_none()) {
            return Err(InferError::Missing(format!(
                "no run with '{}' has a package temperature under load; add one, typed or as a log",
                side.name
            )));
        }
    }
    let has = Channels::of(before, after);
    let changes = changes(workloads.len(), question.tunes_differ, has, before, after);
    let groups = vec![
        Group {
            runs: before.runs.clone(),
            changes: Vec::new(),
        },
        Group {
            runs: after.runs.clone(),
            changes,
        },
    ];
    let stated = before.fan_max_rpm.or(after.fan_max_rpm);
    let fit = joint(workloads.to_vec(), groups, stated)?;
    Ok(Comparison {
        at: common_point(before, after),
        fit: &fit,
        before,
        after,
        has,
        question,
    }
    .answer())
}

/// Which channels both sides have.
#[derive(Clone, Copy, Debug)]
struct Channels {
    speed: bool,
    level: bool,
}

impl Channels {
    fn of(before: &Side, after: &Side) -> Self {
        let both = |pick: fn(&Window) -> Option<Reading>| {
            [before, after]
                .into_iter()
                .all(|side| loads(side).any(|w| pick(w).is_some()))
        };
        Self {
            speed: both(|w| w.fan_speed_rpm),
            level: both(|w| w.level_dba),
        }
    }

    fn any(self) -> bool {
        self.speed || self.level
    }
}

/// Windows under load that are not a boost: what is compared is the state that stays.
fn loads(side: &Side) -> impl Iterator<Item = &Window> {
    side.runs
        .iter()
        .flat_map(|r| &r.windows)
        .filter(|w| !matches!(w.kind, PhaseKind::Idle | PhaseKind::Boost))
}

fn span(side: &Side, pick: impl Fn(&Window) -> Option<Reading>) -> Option<(f64, f64)> {
    loads(side)
        .filter_map(pick)
        .map(|r| (r.value, r.value))
        .reduce(|(lo, hi), (v, _)| (lo.min(v), hi.max(v)))
}

/// What both sides reached; with a gap between them, its middle. The flag says which.
fn overlap(
    before: &Side,
    after: &Side,
    pick: impl Fn(&Window) -> Option<Reading>,
) -> Option<((f64, f64), bool)> {
    let (a, b) = (span(before, &pick)?, span(after, &pick)?);
    let (lo, hi) = (a.0.max(b.0), a.1.min(b.1));
    if lo <= hi {
        return Some(((lo, hi), true));
    }
    // Readings a few percent apart were made under the same conditions.
    let middle = f64::midpoint(lo, hi);
    Some(((middle, middle), lo <= SAME_READING * hi))
}

/// Factor within which two readings are of the same speed or watts. A judgement.
const SAME_READING: f64 = 1.08;
/// Power and room where nothing was noted.
const USUAL_W: f64 = 100.0;
const USUAL_ROOM_C: f64 = 22.0;
/// Rise a watt at which the fan's curve is read where neither speed nor level was noted, K/W: the
/// middle of desktop coolers. Both sides are read there, so it hardly matters. A judgement.
const USUAL_K_PER_W: f64 = 0.35;

fn common_point(before: &Side, after: &Side) -> At {
    let power = overlap(before, after, |w| w.power_w);
    let runs = || before.runs.iter().chain(&after.runs);
    let mean = |values: Vec<f64>| {
        let n = values.len() as f64;
        (n > 0.0).then(|| values.iter().sum::<f64>() / n)
    };
    At {
        power_w: power.map_or(USUAL_W, |((lo, hi), _)| (lo * hi).sqrt()),
        room_c: mean(runs().filter_map(|r| r.room_c).collect()).unwrap_or(USUAL_ROOM_C),
        altitude_m: mean(runs().map(|r| r.altitude_m).collect()).unwrap_or(0.0),
    }
}

/// What may have changed with the cooling, and how much: judgement. Resistance first: another
/// cooler, other fans or years of dust change it by a fifth or more. A change of resistance on one
/// side of the base alone moves the die's share; the masses stay or follow the resistance.
const COOLING: [(Key, f64); 11] = [
    (Key::RiseAtStock, 0.25),
    (Key::DieShare, 0.3),
    (Key::NaturalShare, 0.2),
    (Key::FanExponent, 0.05),
    (Key::CaseOffset, 0.3),
    (Key::IntakeWarming, 0.15),
    (Key::SlowTime, 0.15),
    (Key::FastTime, 0.15),
    (Key::Discrepancy(0), 0.2),
    (Key::Discrepancy(1), 0.2),
    (Key::Discrepancy(2), 0.2),
];
/// The fans and their curve where both sides were read: as wide as for any fan.
const FANS: [(Key, f64); 12] = [
    (Key::FanStart, 7.0),
    (Key::FanWidth, 0.35),
    (Key::FanFloor, 0.25),
    (Key::FanHysteresis, 0.3),
    (Key::FanSmoothing, 0.3),
    (Key::FanPiece(0), 0.6),
    (Key::FanPiece(1), 0.6),
    (Key::FanPiece(2), 0.6),
    (Key::FanPiece(3), 0.6),
    (Key::FanPiece(4), 0.6),
    (Key::FanPiece(5), 0.6),
    (Key::FanFull, 0.2),
];
const SOUND: [(Key, f64); 3] = [
    (Key::SoundFull, 4.0),
    (Key::SoundSlope, 3.0),
    (Key::BackgroundOffset, 0.6),
];
/// Share of all this for fans that are taken to be unchanged.
const UNCHANGED: f64 = 0.03;
/// From day to day at equal tune: the logarithm of the work at equal watts.
const DAY_TO_DAY: f64 = 0.005;
/// Under another tune, logarithms: demand, work at equal watts, leakage, share without work.
const TUNE: [f64; 4] = [0.1, 0.05, 0.3, 0.3];

fn changes(
    workloads: usize,
    tunes_differ: bool,
    has: Channels,
    before: &Side,
    after: &Side,
) -> Vec<Change> {
    let fans = if has.any() { 1.0 } else { UNCHANGED };
    let mut all: Vec<Change> = COOLING.map(|(key, sd)| Change::new(key, sd)).to_vec();
    all.extend(FANS.map(|(key, sd)| Change::new(key, fans * sd)));
    all.extend(SOUND.map(|(key, sd)| Change::new(key, sd)));
    if let (Some(a), Some(b)) = (before.fan_max_rpm, after.fan_max_rpm) {
        all.retain(|c| c.key != Key::FanFull);
        all.push(Change {
            key: Key::FanFull,
            shift: (b / a).ln(),
            sd: 0.01,
        });
    }
    for w in 0..workloads {
        let rate = if tunes_differ { TUNE[1] } else { DAY_TO_DAY };
        all.push(Change::new(Key::Rate(w), rate));
        if tunes_differ {
            all.push(Change::new(Key::Demand(w), TUNE[0]));
        }
    }
    if tunes_differ {
        all.push(Change::new(Key::LeakShare, TUNE[2]));
        all.push(Change::new(Key::BaseShare, TUNE[3]));
    }
    all
}

struct Comparison<'a> {
    at: At,
    fit: &'a Joint,
    before: &'a Side,
    after: &'a Side,
    has: Channels,
    question: Question,
}

impl Comparison<'_> {
    fn answer(&self) -> BeforeAfter {
        let at_equal_speed = self.at_equal_speed();
        let at_equal_level = self.at_equal_level();
        let verdict = verdict(&at_equal_speed, &at_equal_level);
        BeforeAfter {
            at: self.at,
            level_at_speed_db: self.level_at_speed(),
            tilt_points: self.tilt(&at_equal_speed),
            at_equal_speed,
            at_equal_level,
            fans_assumed: !self.has.any(),
            verdict,
        }
    }

    fn at_equal_speed(&self) -> Rows {
        if self.has.speed {
            let Some(range) = overlap(self.before, self.after, |w| w.fan_speed_rpm) else {
                return Rows::Unknown("fan speeds of both sides");
            };
            return self.rows(range, 1.1, |z, rpm| share_at_rpm(&self.fit.layout, z, rpm));
        }
        if self.has.level {
            return Rows::Unknown("the fan speeds of both sides, logged or noted");
        }
        // Neither: the fan runs as its curve has it, before and after.
        let temp_c = self.at.room_c + USUAL_K_PER_W * self.at.power_w;
        let share = |z: &[f64]| Some(self.fit.layout.machine(z, 0).fan.share_at(temp_c));
        Rows::Known {
            rows: vec![self.row(None, &|z, _| share(z))],
            both_reached: true,
        }
    }

    fn at_equal_level(&self) -> Rows {
        let range = overlap(self.before, self.after, |w| w.level_dba);
        let Some(range) = range.filter(|_| self.has.level) else {
            return Rows::Unknown("sound levels of both sides, from the same place");
        };
        self.rows(range, 1.03, |z, level| {
            share_at_level(&self.fit.layout, z, level)
        })
    }

    /// The middle, and the ends where they lie apart by this factor from it.
    fn rows(
        &self,
        ((lo, hi), both_reached): ((f64, f64), bool),
        apart: f64,
        share: impl Fn(&[f64], f64) -> Option<f64>,
    ) -> Rows {
        let middle = (lo * hi).sqrt();
        let ends = [lo, hi].into_iter().filter(|_| hi > apart * middle);
        Rows::Known {
            rows: std::iter::once(middle)
                .chain(ends)
                .map(|at| self.row(Some(at), &share))
                .collect(),
            both_reached,
        }
    }

    fn row(&self, at: Option<f64>, share: &dyn Fn(&[f64], f64) -> Option<f64>) -> Row {
        let layout = &self.fit.layout;
        let resistance = |z: &[f64]| {
            share(z, at.unwrap_or(f64::NAN)).map_or(f64::NAN, |s| {
                resistance_k_per_w(layout, z, s.clamp(0.0, 1.5), self.at)
            })
        };
        let change_pct = self
            .fit
            .compare(0, 1, |a, b| 100.0 * (resistance(b) / resistance(a) - 1.0));
        Row {
            at,
            before_k_per_w: self.fit.derive(0, resistance),
            after_k_per_w: self.fit.derive(1, resistance),
            change_k: self.fit.compare(0, 1, |a, b| {
                self.at.power_w * (resistance(b) - resistance(a))
            }),
            verdict: Verdict::of(change_pct, self.question.smallest_pct),
            change_pct,
        }
    }

    fn level_at_speed(&self) -> Option<(f64, Estimate)> {
        if !self.has.speed || !self.has.level {
            return None;
        }
        let ((lo, hi), _) = overlap(self.before, self.after, |w| w.fan_speed_rpm)?;
        let rpm = (lo * hi).sqrt();
        let layout = &self.fit.layout;
        let level = |z: &[f64]| {
            share_at_rpm(layout, z, rpm)
                .and_then(|share| fan_level_dba(layout, z, share))
                .unwrap_or(f64::NAN)
        };
        Some((rpm, self.fit.compare(0, 1, |a, b| level(b) - level(a))))
    }

    fn tilt(&self, rows: &Rows) -> Option<Estimate> {
        let Rows::Known { rows, .. } = rows else {
            return None;
        };
        let [_, low, high] = rows.as_slice() else {
            return None;
        };
        let (low, high) = (low.at?, high.at?);
        let layout = &self.fit.layout;
        let ratio = |a: &[f64], b: &[f64], rpm: f64| {
            let at = |z: &[f64]| {
                share_at_rpm(layout, z, rpm)
                    .map_or(f64::NAN, |s| resistance_k_per_w(layout, z, s, self.at))
            };
            at(b) / at(a)
        };
        Some(
            self.fit
                .compare(0, 1, |a, b| 100.0 * (ratio(a, b, low) - ratio(a, b, high))),
        )
    }
}

/// The level decides where it can: it is what an owner pays for cooling with. Else the speed.
fn verdict(speed: &Rows, level: &Rows) -> Verdict {
    let of = |rows: &Rows| rows.middle().map_or(Verdict::CannotTell, |r| r.verdict);
    match of(level) {
        Verdict::CannotTell => of(speed),
        decided => decided,
    }
}
