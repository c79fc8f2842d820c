//! `cargo xtask verdicts`: how often `verify`, `before-after` and `check` raise a false alarm, and how
//! often they see what is there.
//!
//! Each machine of the population is measured as it is, then again after a known change: more K/W,
//! louder fans, slower work. What the three comparisons say of it is counted.

use std::collections::BTreeMap;

use settlepoint_infer::before_after::{Question, Side, before_after};
use settlepoint_infer::evidence::{Evidence, RunEvidence};
use settlepoint_infer::fit::fit;
use settlepoint_infer::unit_check::{Tolerances, Unit, check};
use settlepoint_infer::verify::{Matters, Quantity, verify};
use settlepoint_model::Simulator;
use settlepoint_stats::random::Random;

use super::plan::PlannedRun;
use super::population::Population;
use super::readings::Bench;
use super::truth::Truth;
use super::{BACKGROUND_DB, Form, Sensors, Trial, workload};

const USAGE: &str = "usage: cargo xtask verdicts [--machines N] [--seed S] [--forms log,typed] \
                     [--commands verify,before-after,check] [--harsh] \
                     [--scenarios none,5,10,20,paste,dust,fans_and_work]";
/// The commands that are tried.
const COMMANDS: [&str; 3] = ["verify", "before-after", "check"];
/// Length of each run, s.
const RUN_S: f64 = 600.0;
/// PL1 over PL2 of the runs before the change, and of the run or runs after it.
const BEFORE: [f64; 3] = [0.35, 0.6, 0.85];
const VERIFIED: [f64; 1] = [0.7];
const PAIRED: [f64; 2] = [0.45, 0.75];
/// Rooms before and after, °C.
const ROOMS_C: (f64, f64) = (20.5, 25.0);
/// Temperature limit of every run, °C.
const TEMP_LIMIT_C: f64 = 100.0;

/// What changes.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Scenario {
    token: &'static str,
    name: &'static str,
    /// Factor on K/W between die and fins, and from there to the air.
    contact: f64,
    air: f64,
    /// Louder at every speed, dB.
    louder_db: f64,
    /// Factor on work at equal watts.
    work: f64,
}

const NONE: Scenario = Scenario {
    token: "none",
    name: "no change",
    contact: 1.0,
    air: 1.0,
    louder_db: 0.0,
    work: 1.0,
};

/// All of them; fans and work change together, since neither touches what is said of the other.
fn scenarios() -> [Scenario; 7] {
    let resistance = |token, name, contact, air| Scenario {
        token,
        name,
        contact,
        air,
        ..NONE
    };
    [
        NONE,
        resistance("5", "K/W +5 %", 1.05, 1.05),
        resistance("10", "K/W +10 %", 1.10, 1.10),
        resistance("20", "K/W +20 %", 1.20, 1.20),
        resistance("paste", "paste +20 %", 1.20, 1.0),
        resistance("dust", "dust +20 %", 1.0, 1.20),
        Scenario {
            token: "fans_and_work",
            name: "fans +3 dB, work -4 %",
            louder_db: 3.0,
            work: 0.96,
            ..NONE
        },
    ]
}

impl Scenario {
    /// Whether it changes one side of the cooling alone.
    fn one_sided(&self) -> bool {
        (self.contact - self.air).abs() > 1e-9
    }
}

impl Scenario {
    fn of(&self, truth: &Truth) -> Truth {
        let mut truth = truth.clone();
        let machine = &mut truth.machine;
        for node in &mut machine.cooling.nodes {
            node.resistance_k_per_w *= self.contact;
        }
        machine.cooling.g_nat_w_per_k /= self.air;
        machine.cooling.g_fan_w_per_k /= self.air;
        if let Some(sound) = &mut machine.sound {
            sound.full_speed_dba += self.louder_db;
        }
        if let Some(work) = &mut machine.package.work {
            work.rate_ref *= self.work;
        }
        truth
    }
}

/// Counts of words said, and how many intervals held the truth.
#[derive(Default)]
struct Tally {
    said: BTreeMap<String, usize>,
    inside: usize,
    outside: usize,
    width: f64,
}

impl Tally {
    fn say(&mut self, word: impl Into<String>) {
        *self.said.entry(word.into()).or_default() += 1;
    }

    fn hold(&mut self, (lo, hi): (f64, f64), truth: f64) {
        if (lo..=hi).contains(&truth) {
            self.inside += 1;
        } else {
            self.outside += 1;
        }
        self.width += 0.5 * (hi - lo);
    }

    fn line(&self) -> String {
        let words: Vec<String> = self.said.iter().map(|(w, n)| format!("{w} {n}")).collect();
        let n = self.inside + self.outside;
        let held = if n > 0 {
            format!(
                "   90 % interval of K/W holds the truth {} of {n}, half-width {:.1} %",
                self.inside,
                self.width / n as f64
            )
        } else {
            String::new()
        };
        format!("{}{held}", words.join(", "))
    }
}

struct Options {
    scenarios: Vec<&'static str>,
    machines: usize,
    seed: u64,
    forms: Vec<Form>,
    commands: Vec<&'static str>,
    trial: Trial,
}

/// Runs the chore.
///
/// # Errors
/// Words that are no options, a population file that cannot be read, a fit that fails.
pub(crate) fn run(words: impl Iterator<Item = String>) -> Result<(), String> {
    let text = tried(&options(words)?)?;
    #[expect(clippy::print_stdout, reason = "the result of the chore")]
    {
        println!("{text}");
    }
    Ok(())
}

fn options(mut words: impl Iterator<Item = String>) -> Result<Options, String> {
    let mut options = Options {
        scenarios: scenarios().map(|s| s.token).to_vec(),
        machines: 25,
        seed: 1,
        forms: vec![Form::Log, Form::Typed],
        commands: COMMANDS.to_vec(),
        trial: Trial::Population,
    };
    while let Some(word) = words.next() {
        let mut value = || {
            words
                .next()
                .ok_or_else(|| format!("{word} needs a value\n{USAGE}"))
        };
        match word.as_str() {
            "--machines" => options.machines = super::whole(&value()?)?,
            "--seed" => options.seed = super::whole(&value()?)?,
            "--harsh" => options.trial = Trial::Harsh,
            "--scenarios" => {
                let all = scenarios().map(|s| s.token);
                options.scenarios = super::list(&value()?, |t| super::one_of(t, &all, |t| t))?;
            }
            "--commands" => {
                options.commands = super::list(&value()?, |t| super::one_of(t, &COMMANDS, |t| t))?;
            }
            "--forms" => {
                let all = [Form::Log, Form::Typed];
                options.forms = super::list(&value()?, |t| super::one_of(t, &all, Form::token))?;
            }
            _ => return Err(format!("'{word}' is not known\n{USAGE}")),
        }
    }
    Ok(options)
}

/// Tallies by command and form, scenario, and what was said something of.
type Tallies = BTreeMap<(String, usize, String), Tally>;

/// All machines under all scenarios, as text.
fn tried(options: &Options) -> Result<String, String> {
    let names = scenarios();
    let mut text = format!("{} machines, seed {}\n", options.machines, options.seed);
    for ((what, scenario, part), tally) in &tallies(options)? {
        text += &format!(
            "{what}; {}; {part}: {}\n",
            names[*scenario].name,
            tally.line()
        );
    }
    Ok(text)
}

fn tallies(options: &Options) -> Result<Tallies, String> {
    let population = Population::read()?;
    let mut tallies = Tallies::new();
    for number in 0..options.machines {
        let machine = Machine::draw(options, &population, number)?;
        for &form in &options.forms {
            for command in &options.commands {
                let mut keep = |scenario: usize, what: &str| {
                    let key = (
                        format!("{command}, {}", form.token()),
                        scenario,
                        what.to_owned(),
                    );
                    std::mem::take(tallies.entry(key).or_default())
                };
                for (place, tally) in machine.judge(command, form, &mut keep)? {
                    let key = (format!("{command}, {}", form.token()), place.0, place.1);
                    tallies.insert(key, tally);
                }
            }
        }
    }
    Ok(tallies)
}

type Placed = ((usize, String), Tally);

/// One machine with its errors.
struct Machine {
    truth: Truth,
    sensors: Sensors,
    background_dba: f64,
    seed: u64,
    scenarios: Vec<&'static str>,
}

impl Machine {
    /// The scenarios asked for, with their places; those of one side of the cooling on request.
    fn tried(&self, one_sided: bool) -> impl Iterator<Item = (usize, Scenario)> {
        scenarios()
            .into_iter()
            .enumerate()
            .filter(move |(_, s)| one_sided || !s.one_sided())
            .filter(|(_, s)| self.scenarios.contains(&s.token))
    }

    fn draw(options: &Options, population: &Population, number: usize) -> Result<Self, String> {
        let mut random = Random::from_seed(options.seed.wrapping_mul(7_000_003) + number as u64);
        let truth = population.machine(options.trial, &mut random)?;
        let background = truth.machine.sound.and_then(|s| s.background_dba);
        Ok(Self {
            sensors: population.sensors(options.trial)?,
            background_dba: background.unwrap_or(f64::NAN) + BACKGROUND_DB * random.normal(),
            truth,
            seed: random.next_u64(),
            scenarios: options.scenarios.clone(),
        })
    }

    fn measure(
        &self,
        truth: &Truth,
        form: Form,
        ratios: &[f64],
        room_c: f64,
        salt: u64,
    ) -> Result<Vec<RunEvidence>, String> {
        let mut random = Random::from_seed(self.seed ^ salt);
        let mut simulator = Simulator::new();
        let bench = Bench {
            truth,
            sensors: self.sensors,
            form,
            background_dba: self.background_dba,
            duration_s: RUN_S,
        };
        ratios
            .iter()
            .enumerate()
            .map(|(i, &ratio)| {
                let planned = PlannedRun {
                    ratio,
                    temp_limit_c: TEMP_LIMIT_C,
                    room_c: room_c + 0.7 * random.normal(),
                };
                let mut own = Random::from_seed(random.next_u64());
                bench
                    .measure(&mut simulator, planned, i + 1, &mut own)
                    .map(|m| m.evidence)
            })
            .collect()
    }

    fn judge(
        &self,
        command: &str,
        form: Form,
        keep: &mut dyn FnMut(usize, &str) -> Tally,
    ) -> Result<Vec<Placed>, String> {
        match command {
            "verify" => self.verified(form, keep),
            "before-after" => self.compared(form, keep),
            "check" => self.checked(form, keep),
            _ => Err(format!("'{command}' is not known\n{USAGE}")),
        }
    }

    fn verified(
        &self,
        form: Form,
        keep: &mut dyn FnMut(usize, &str) -> Tally,
    ) -> Result<Vec<Placed>, String> {
        let base = fit(Evidence {
            workloads: vec![workload(RUN_S)],
            runs: self.measure(&self.truth, form, &BEFORE, ROOMS_C.0, 1)?,
            fan_max_rpm: None,
        })
        .map_err(|e| e.to_string())?;
        let mut placed = Vec::new();
        for (place, scenario) in self.tried(false) {
            let truth = scenario.of(&self.truth);
            let run = self
                .measure(&truth, form, &VERIFIED, ROOMS_C.1, 2)?
                .remove(0);
            let said = verify(&base, &run, &Matters::default()).map_err(|e| e.to_string())?;
            let mut overall = keep(place, "overall");
            overall.say(said.verdict());
            placed.push(((place, "overall".to_owned()), overall));
            for quantity in Quantity::ALL {
                if let Some(c) = said.of(quantity) {
                    let mut tally = keep(place, quantity.token());
                    tally.say(c.token());
                    placed.push(((place, quantity.token().to_owned()), tally));
                }
            }
            if let Some(e) = said.causes.resistance_pct {
                let mut tally = keep(place, "cause K/W");
                tally.hold((e.lo, e.hi), self.true_change(&truth, 0.7));
                tally.say(if e.lo > 0.0 {
                    "worse"
                } else if e.hi < 0.0 {
                    "better"
                } else {
                    "open"
                });
                placed.push(((place, "cause K/W".to_owned()), tally));
            }
        }
        Ok(placed)
    }

    fn compared(
        &self,
        form: Form,
        keep: &mut dyn FnMut(usize, &str) -> Tally,
    ) -> Result<Vec<Placed>, String> {
        let side = |name: &str, runs| Side {
            name: name.to_owned(),
            runs,
            fan_max_rpm: None,
        };
        let before = side(
            "before",
            self.measure(&self.truth, form, &PAIRED, ROOMS_C.0, 3)?,
        );
        let mut placed = Vec::new();
        for (place, scenario) in self.tried(true) {
            let truth = scenario.of(&self.truth);
            let after = side("after", self.measure(&truth, form, &PAIRED, ROOMS_C.1, 4)?);
            let question = Question {
                smallest_pct: 5.0,
                tunes_differ: false,
            };
            let said = before_after(&[workload(RUN_S)], &before, &after, question)
                .map_err(|e| e.to_string())?;
            for (part, rows) in [
                ("speed", &said.at_equal_speed),
                ("level", &said.at_equal_level),
            ] {
                if let Some(row) = rows.middle() {
                    let mut tally = keep(place, part);
                    tally.say(row.verdict.token());
                    // Louder fans turn slower at equal level: their truth is not the scenario's.
                    if part == "speed" || scenario.louder_db == 0.0 {
                        let e = row.change_pct;
                        tally.hold((e.lo, e.hi), self.true_change(&truth, 0.6));
                    }
                    placed.push(((place, part.to_owned()), tally));
                }
            }
            let mut overall = keep(place, "overall");
            overall.say(said.verdict.token());
            placed.push(((place, "overall".to_owned()), overall));
        }
        Ok(placed)
    }

    fn checked(
        &self,
        form: Form,
        keep: &mut dyn FnMut(usize, &str) -> Tally,
    ) -> Result<Vec<Placed>, String> {
        let unit = |name: &str, runs| Unit {
            name: name.to_owned(),
            runs,
        };
        let reference = unit(
            "reference",
            self.measure(&self.truth, form, &BEFORE, ROOMS_C.0, 5)?,
        );
        let mut placed = Vec::new();
        for (place, scenario) in self.tried(false) {
            let truth = scenario.of(&self.truth);
            let tested = unit("unit", self.measure(&truth, form, &VERIFIED, ROOMS_C.1, 6)?);
            let said = check(
                &[workload(RUN_S)],
                std::slice::from_ref(&reference),
                &tested,
                None,
                &Tolerances::default(),
            )
            .map_err(|e| e.to_string())?;
            let mut overall = keep(place, "overall");
            overall.say(said.verdict.token());
            placed.push(((place, "overall".to_owned()), overall));
            for row in &said.conditions[0].rows {
                let mut tally = keep(place, row.item.token());
                tally.say(row.verdict.token());
                if row.item.token() == "resistance_k_per_w" {
                    let e = row.deviation;
                    tally.hold((e.lo, e.hi), self.true_change(&truth, 0.7));
                }
                placed.push(((place, row.item.token().to_owned()), tally));
            }
        }
        Ok(placed)
    }

    /// The change of K/W at equal watts and speed, percent, near the middle of the speeds.
    fn true_change(&self, after: &Truth, share: f64) -> f64 {
        let power_w = 0.6 * self.truth.pl2_w;
        let of = |truth: &Truth| {
            let cooling = &truth.machine.cooling;
            let inner: f64 = cooling.nodes[..3]
                .iter()
                .map(|n| n.resistance_k_per_w)
                .sum();
            inner
                + 1.0 / cooling.conductance_w_per_k(share, cooling.reference_density_kg_m3)
                + truth.extras.intake_k_per_w
                + cooling.case_offset_k / power_w
        };
        100.0 * (of(after) / of(&self.truth) - 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(words: &str) -> Tallies {
        let options = options(words.split_whitespace().map(str::to_owned)).unwrap();
        tallies(&options).unwrap()
    }

    /// Three machines, two typed runs a side. A fifth more K/W lies five half-widths of an interval
    /// (4 %) away and is seen on each; with no change an alarm on two of three happens once in a
    /// hundred samples at the intervals' own 5 % a side.
    #[test]
    fn a_fifth_more_is_seen_and_nothing_is_not() {
        let all = counted(
            "--machines 3 --seed 6 --forms typed --commands before-after --scenarios none,20",
        );
        let said = |scenario: usize, word: &str| {
            let key = (
                "before-after, typed".to_owned(),
                scenario,
                "overall".to_owned(),
            );
            all[&key].said.get(word).copied().unwrap_or(0)
        };
        let place = |token| scenarios().iter().position(|s| s.token == token).unwrap();
        assert_eq!(said(place("20"), "worse"), 3);
        assert!(said(place("none"), "worse") + said(place("none"), "better") < 2);
    }

    #[test]
    fn slips_in_the_options_are_named() {
        let read = |text: &str| options(text.split_whitespace().map(str::to_owned)).err();
        for (wrong, names) in [
            ("--machines", "--machines"),
            ("--forms odd", "'odd'"),
            ("--scenarios none,odd", "'odd'"),
            ("--commands verify,odd", "'odd'"),
            ("--loud", "'--loud'"),
        ] {
            assert!(read(wrong).is_some_and(|e| e.contains(names)), "{wrong}");
        }
    }
}
