//! Verdicts on simulated machines whose truth is known: runs against predictions, coolings against
//! each other, units against a reference. Readings are rounded as people round and otherwise free of
//! errors: how often noise leads astray is counted by `cargo xtask verdicts`.

use settlepoint_domain::{
    Direction, FanSetting, Id, LimitValue, PhaseKind, PhaseReading, Run, RunData, Score, ScoreKind,
    Setting, Workload,
};
use settlepoint_infer::before_after::{
    self, BeforeAfter, Question, Rows, Side, Verdict, before_after,
};
use settlepoint_infer::collect::from_readings;
use settlepoint_infer::evidence::{Evidence, RunEvidence, Span};
use settlepoint_infer::fit::{CoolingFit, fit};
use settlepoint_infer::predict::setting_of;
use settlepoint_infer::unit_check::{self, Item, Tolerances, Unit, check};
use settlepoint_infer::verify::{Matters, Outcome, Quantity, Verified, verify};
use settlepoint_model::{
    BudgetTier, FanControl, MachineModel, Scenario, Start, air_density_kg_m3, simulate,
};

mod support;
use support::invented_machine;

const RUN_S: f64 = 600.0;
const PL2_W: f64 = 240.0;

/// An invented machine, and what may be changed in it.
#[derive(Clone, Copy)]
struct Rig {
    /// Factor on K/W.
    resistance: f64,
    louder_db: f64,
    work: f64,
    room_c: f64,
    temp_limit_c: f64,
}

const AS_IT_WAS: Rig = Rig {
    resistance: 1.0,
    louder_db: 0.0,
    work: 1.0,
    room_c: 22.0,
    temp_limit_c: 100.0,
};

impl Rig {
    fn model(&self) -> MachineModel {
        let mut model = invented_machine();
        for node in &mut model.cooling.nodes {
            node.resistance_k_per_w *= self.resistance;
        }
        model.cooling.g_nat_w_per_k /= self.resistance;
        model.cooling.g_fan_w_per_k /= self.resistance;
        if let Some(work) = &mut model.package.work {
            work.rate_ref *= self.work;
        }
        if let Some(sound) = &mut model.sound {
            sound.full_speed_dba += self.louder_db;
        }
        model
    }

    /// A run as somebody would type it.
    fn run(&self, pl1_w: f64) -> RunEvidence {
        let model = self.model();
        let tier = |limit_w, window_s| BudgetTier { limit_w, window_s };
        let scenario = Scenario {
            tiers: vec![tier(pl1_w, 56.0), tier(PL2_W, 0.0)],
            temp_limit_c: Some(self.temp_limit_c),
            fan: FanControl::Curve { ceiling: 1.0 },
            room: vec![(0.0, self.room_c)],
            air_density_kg_m3: air_density_kg_m3(self.room_c, 0.0),
            duration_s: RUN_S,
            step_s: 1.0,
            start: Start::SettledAt { power_w: 16.0 },
        };
        let summary = simulate(&model, &scenario, |_| {});
        let phases = summary
            .phases
            .iter()
            .map(|phase| {
                let share = phase.mean.fan_share;
                let level = model.sound.expect("a level").level(share).db();
                let steady = phase.kind != PhaseKind::Boost;
                PhaseReading {
                    duration_s: Some((phase.end_s - phase.start_s).round()),
                    power_w: Some(phase.mean.power_w.round()),
                    package_c: Some(phase.mean.die_c.round()),
                    fan_speed_rpm: steady.then_some((1500.0 * share).round()),
                    level_dba: steady.then_some((10.0 * level).round() / 10.0),
                    ..PhaseReading::blank(phase.kind)
                }
            })
            .collect();
        let run = Run {
            id: Id::from_u128(2),
            name: format!("{pl1_w} W"),
            machine: Id::from_u128(3),
            cooling: Id::from_u128(4),
            tune: None,
            setting: Id::from_u128(5),
            workload: Id::from_u128(1),
            room_c: Some(self.room_c),
            altitude_m: None,
            data: RunData::Readings(phases),
            scores: vec![Score {
                value: summary.mean.work_rate,
                repetition: 1,
                order: None,
                block: None,
                time: None,
            }],
            excluded: None,
        };
        from_readings(&run, &self.setting(pl1_w), &workload())
    }

    fn setting(&self, pl1_w: f64) -> Setting {
        let value = LimitValue::Value;
        setting_of(
            format!("{pl1_w} W"),
            value(pl1_w),
            value(PL2_W),
            value(56.0),
            value(self.temp_limit_c),
            FanSetting::AsFitted,
        )
    }

    fn runs(&self, pl1s_w: &[f64]) -> Vec<RunEvidence> {
        pl1s_w.iter().map(|w| self.run(*w)).collect()
    }

    /// K/W at a share of full speed, from the parameters above.
    fn resistance_k_per_w(&self, share: f64, power_w: f64) -> f64 {
        let cooling = self.model().cooling;
        let inner: f64 = cooling.nodes[..3]
            .iter()
            .map(|n| n.resistance_k_per_w)
            .sum();
        let density = cooling.reference_density_kg_m3;
        inner + 1.0 / cooling.conductance_w_per_k(share, density) + cooling.case_offset_k / power_w
    }
}

fn workload() -> Workload {
    Workload {
        id: Id::from_u128(1),
        name: "render".into(),
        unit: "frames".into(),
        direction: Direction::Higher,
        kind: ScoreKind::MeanRate,
        duration_s: RUN_S,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    }
}

const WORSE: Rig = Rig {
    resistance: 1.15,
    ..AS_IT_WAS
};

fn compared(before: Vec<RunEvidence>, after: Vec<RunEvidence>) -> BeforeAfter {
    let side = |name: &str, runs| Side {
        name: name.to_owned(),
        runs,
        fan_max_rpm: None,
    };
    let question = Question {
        smallest_pct: 5.0,
        tunes_differ: false,
    };
    before_after(
        &[workload()],
        &side("before", before),
        &side("after", after),
        question,
    )
    .expect("two runs a side are enough")
}

fn middle(rows: &Rows) -> before_after::Row {
    *rows.middle().expect("speeds and levels were noted")
}

#[test]
fn a_worse_cooling_is_found_in_another_room_and_by_how_much() {
    let warmer = Rig {
        room_c: 27.0,
        ..WORSE
    };
    let c = compared(AS_IT_WAS.runs(&[70.0, 130.0]), warmer.runs(&[70.0, 130.0]));
    assert_eq!(c.verdict, Verdict::Worse);
    let share = middle(&c.at_equal_speed).at.expect("rpm") / 1500.0;
    let of = |rig: &Rig| rig.resistance_k_per_w(share, c.at.power_w);
    let truth = 100.0 * (of(&warmer) / of(&AS_IT_WAS) - 1.0);
    for row in [middle(&c.at_equal_speed), middle(&c.at_equal_level)] {
        // Rounding to whole degrees is 0.3 K of 45 K a reading: far inside of the interval.
        assert!(row.change_pct.contains(truth), "{truth} in {row:?}");
        assert_eq!(row.verdict, Verdict::Worse);
    }
    let back = compared(warmer.runs(&[70.0, 130.0]), AS_IT_WAS.runs(&[70.0, 130.0]));
    assert_eq!(back.verdict, Verdict::Better);
}

#[test]
fn nothing_is_made_of_nothing() {
    let warmer = Rig {
        room_c: 27.0,
        ..AS_IT_WAS
    };
    let c = compared(AS_IT_WAS.runs(&[70.0, 130.0]), warmer.runs(&[80.0, 120.0]));
    for row in [middle(&c.at_equal_speed), middle(&c.at_equal_level)] {
        // No change is there; whole degrees, watts and revolutions leave a few tenths of a percent.
        assert!(row.change_pct.value.abs() < 2.0, "{row:?}");
        assert!(row.change_pct.contains(0.0), "{row:?}");
    }
    assert!(!matches!(c.verdict, Verdict::Better | Verdict::Worse));
    let (_, db) = c.level_at_speed_db.expect("both were heard");
    assert!(db.contains(0.0), "{db:?}");
}

/// What both sides share falls out: a sensor that reads 3 K high on both moves each K/W by 7 %, and
/// their ratio hardly. On one side alone it is a change.
#[test]
fn a_shared_offset_of_the_sensor_cancels() {
    let high = |mut runs: Vec<RunEvidence>| {
        for window in runs.iter_mut().flat_map(|r| &mut r.windows) {
            if let Some(reading) = &mut window.package_c {
                reading.value += 3.0;
            }
        }
        runs
    };
    let before = || AS_IT_WAS.runs(&[70.0, 130.0]);
    let after = || WORSE.runs(&[70.0, 130.0]);
    let plain = middle(&compared(before(), after()).at_equal_speed);
    let both = middle(&compared(high(before()), high(after())).at_equal_speed);
    let one = middle(&compared(before(), high(after())).at_equal_speed);
    let k_per_w = |r: &before_after::Row| r.before_k_per_w.value;
    assert!(k_per_w(&both) / k_per_w(&plain) > 1.03);
    // The same change of K on 3 K more of rise: 15 % of 45 K are 14 % of 48 K.
    let shift = |r: &before_after::Row| r.change_pct.value - plain.change_pct.value;
    assert!(shift(&both).abs() < 2.0, "{}", shift(&both));
    assert!(shift(&one) > 3.5, "{}", shift(&one));
}

#[test]
fn louder_fans_are_louder_at_equal_speed_and_cost_cooling_at_equal_level() {
    let louder = Rig {
        louder_db: 4.0,
        ..AS_IT_WAS
    };
    let c = compared(AS_IT_WAS.runs(&[70.0, 130.0]), louder.runs(&[70.0, 130.0]));
    let (_, db) = c.level_at_speed_db.expect("both were heard");
    assert!(db.contains(4.0) && db.lo > 0.0, "{db:?}");
    // At equal level the louder fans turn slower by a factor of 10^(-4/56) = 0.85.
    let level = middle(&c.at_equal_level);
    let slow = 10.0_f64.powf((level.at.expect("dB(A)") - 44.0) / 56.0);
    let fast = 10.0_f64.powf((level.at.expect("dB(A)") - 40.0) / 56.0);
    let of = |share| AS_IT_WAS.resistance_k_per_w(share, c.at.power_w);
    let truth = 100.0 * (of(slow) / of(fast) - 1.0);
    assert!(level.change_pct.contains(truth), "{truth} in {level:?}");
    assert!(middle(&c.at_equal_speed).change_pct.contains(0.0));
}

#[test]
fn without_speeds_and_levels_the_fans_are_assumed_and_that_is_said() {
    let silent = |mut runs: Vec<RunEvidence>| {
        for window in runs.iter_mut().flat_map(|r| &mut r.windows) {
            window.fan_speed_rpm = None;
            window.level_dba = None;
        }
        runs
    };
    let c = compared(
        silent(AS_IT_WAS.runs(&[70.0, 130.0])),
        silent(WORSE.runs(&[70.0, 130.0])),
    );
    assert!(c.fans_assumed);
    assert!(matches!(c.at_equal_level, Rows::Unknown(_)));
    assert!(middle(&c.at_equal_speed).change_pct.value > 5.0);
}

fn base() -> CoolingFit {
    fit(Evidence {
        workloads: vec![workload()],
        runs: AS_IT_WAS.runs(&[65.0, 110.0, 140.0, 170.0]),
        fan_max_rpm: None,
    })
    .expect("four typed runs are enough")
}

fn verified(rig: &Rig, pl1_w: f64) -> Verified {
    verify(&base(), &rig.run(pl1_w), &Matters::default()).expect("a run with readings")
}

#[test]
fn an_unchanged_machine_runs_as_predicted() {
    let warm = Rig {
        room_c: 28.0,
        ..AS_IT_WAS
    };
    let v = verified(&warm, 130.0);
    assert_eq!(v.verdict(), "as_predicted", "{v:?}");
    assert!(v.compared.iter().all(|c| !c.differs()), "{v:?}");
    for quantity in [
        Quantity::Package,
        Quantity::Power,
        Quantity::Level,
        Quantity::Work,
    ] {
        assert!(v.of(quantity).is_some(), "{quantity:?}");
    }
    let k_per_w = v.causes.resistance_pct.expect("watts and speed were noted");
    assert!(k_per_w.contains(0.0), "{k_per_w:?}");
}

#[test]
fn more_k_per_w_is_hotter_and_named_as_the_cause() {
    let v = verified(&WORSE, 130.0);
    assert_eq!(v.verdict(), "hotter", "{v:?}");
    assert_eq!(
        v.of(Quantity::Work).map(|c| c.outcome),
        Some(Outcome::AsPredicted)
    );
    let k_per_w = v.causes.resistance_pct.expect("watts and speed were noted");
    assert!(k_per_w.contains(14.0) && k_per_w.lo > 0.0, "{k_per_w:?}");
}

#[test]
fn at_the_temperature_limit_more_k_per_w_costs_watts() {
    let limited = |rig: Rig| Rig {
        temp_limit_c: 78.0,
        ..rig
    };
    let v = verified(&limited(WORSE), 170.0);
    assert_eq!(v.verdict(), "draws_less", "{v:?}");
    let k_per_w = v.causes.resistance_pct.expect("watts and speed were noted");
    assert!(k_per_w.lo > 0.0, "{k_per_w:?}");
}

#[test]
fn slower_memory_and_louder_fans_are_told_from_heat() {
    let slower = verified(
        &Rig {
            work: 0.94,
            ..AS_IT_WAS
        },
        130.0,
    );
    assert_eq!(slower.verdict(), "slower", "{slower:?}");
    let work = slower.causes.work_pct.expect("watts and score were noted");
    assert!(work.contains(-6.0) && work.hi < 0.0, "{work:?}");
    let louder = verified(
        &Rig {
            louder_db: 5.0,
            ..AS_IT_WAS
        },
        130.0,
    );
    assert_eq!(louder.verdict(), "louder", "{louder:?}");
    let level = louder.causes.level_db.expect("speed and level were noted");
    assert!(level.contains(5.0) && level.lo > 0.0, "{level:?}");
}

/// Only the state that stays was noted, as if it had lasted all the time: its watts say that the boost
/// is not in it.
#[test]
fn a_boost_that_was_not_typed_is_no_missing_power() {
    let mut run = AS_IT_WAS.run(130.0);
    run.windows.retain(|w| w.kind == PhaseKind::Sustained);
    run.boost_s = None;
    for window in &mut run.windows {
        window.span = Span::Between(0.0, RUN_S);
    }
    let v = verify(&base(), &run, &Matters::default()).expect("a run with readings");
    assert_eq!(v.verdict(), "as_predicted", "{v:?}");
}

#[test]
fn a_run_without_a_room_cannot_be_told_but_for_its_limits() {
    let mut run = AS_IT_WAS.run(130.0);
    run.room_c = None;
    let v = verify(&base(), &run, &Matters::default()).expect("a run with readings");
    assert_eq!(
        v.of(Quantity::Package).map(|c| c.outcome),
        Some(Outcome::CannotTell),
        "{v:?}"
    );
    assert_eq!(v.verdict(), "cannot_tell");
}

fn checked(rig: &Rig, references: &[Rig]) -> unit_check::Checked {
    let references: Vec<Unit> = references
        .iter()
        .map(|r| Unit {
            name: "reference".into(),
            runs: r.runs(&[65.0, 110.0, 170.0]),
        })
        .collect();
    let unit = Unit {
        name: "unit".into(),
        runs: vec![rig.run(130.0)],
    };
    check(
        &[workload()],
        &references,
        &unit,
        None,
        &Tolerances::default(),
    )
    .expect("one run is enough")
}

fn item(checked: &unit_check::Checked, item: Item) -> unit_check::Row {
    let mut rows = checked.conditions.iter().flat_map(|c| &c.rows);
    *rows.find(|r| r.item == item).expect("it was read")
}

#[test]
fn one_run_passes_a_unit_or_fails_it() {
    use unit_check::Verdict::{Fail, Pass};
    let warm = Rig {
        room_c: 26.0,
        ..AS_IT_WAS
    };
    let good = checked(&warm, &[AS_IT_WAS]);
    assert_eq!(good.verdict, Pass, "{good:?}");
    let bad = checked(
        &Rig {
            resistance: 1.3,
            ..warm
        },
        &[AS_IT_WAS],
    );
    assert_eq!(bad.verdict, Fail, "{bad:?}");
    assert_eq!(item(&bad, Item::Package).verdict, Fail);
    assert_eq!(item(&bad, Item::Power).verdict, Pass);
    let slow = checked(
        &Rig {
            work: 0.9,
            ..AS_IT_WAS
        },
        &[AS_IT_WAS],
    );
    assert_eq!(item(&slow, Item::Work).verdict, Fail, "{slow:?}");
    assert_eq!(item(&slow, Item::Package).verdict, Pass);
}

#[test]
fn several_references_stand_for_what_they_have_in_common() {
    let units = [0.96, 1.0, 1.04].map(|resistance| Rig {
        resistance,
        ..AS_IT_WAS
    });
    let middle = item(&checked(&AS_IT_WAS, &units), Item::Resistance);
    // The unit is the middle one of the three.
    assert!(middle.deviation.contains(0.0), "{middle:?}");
    let alone = item(&checked(&AS_IT_WAS, &units[..1]), Item::Resistance);
    // Against the best of them alone it has some 4 % more.
    assert!(
        alone.deviation.value > middle.deviation.value + 1.0,
        "{alone:?} {middle:?}"
    );
}

#[test]
fn what_was_not_read_is_not_checked() {
    let mut run = AS_IT_WAS.run(130.0);
    run.score = None;
    for window in &mut run.windows {
        window.level_dba = None;
    }
    let unit = Unit {
        name: "unit".into(),
        runs: vec![run],
    };
    let reference = Unit {
        name: "reference".into(),
        runs: AS_IT_WAS.runs(&[65.0, 110.0, 170.0]),
    };
    let checked = check(
        &[workload()],
        &[reference],
        &unit,
        None,
        &Tolerances::default(),
    )
    .expect("temperatures are enough");
    let missing = &checked.conditions[0].missing;
    assert_eq!(missing, &[Item::Level, Item::Work]);
}
