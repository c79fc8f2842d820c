//! `verify`, `before-after` and `check`, in notebooks made through the program: an invented machine is
//! simulated, its averages are typed as people round, and what the commands say is read back.

use serde_json::Value;
use settlepoint_domain::PhaseKind;
use settlepoint_model::{
    BudgetTier, Cooling, FanControl, FanCurve, LadderNode, LimitBehaviour, MachineModel, Package,
    Scenario, Sound, Start, WorkLaw, air_density_kg_m3, simulate,
};

use crate::support::{Desk, assert_estimate, assert_keys};

const HEADER: &str = "run,machine,cooling,tune,pl1_w,pl2_w,tau_s,temp_limit_c,workload,room_c,phase,\
                      duration_s,power_w,package_c,fan_speed_rpm,level_dba,distance_m,score\n";

/// The workstation of an attic studio, and what may be wrong with it.
#[derive(Clone, Copy)]
struct Studio {
    resistance: f64,
    louder_db: f64,
    work: f64,
}

const SOUND: Studio = Studio {
    resistance: 1.0,
    louder_db: 0.0,
    work: 1.0,
};

/// A run to type.
#[derive(Clone, Copy)]
struct Typed<'a> {
    name: &'a str,
    machine: &'a str,
    cooling: &'a str,
    tune: &'a str,
    pl1_w: f64,
    room_c: f64,
}

impl<'a> Typed<'a> {
    fn on(cooling: &'a str, name: &'a str, pl1_w: f64) -> Self {
        Self {
            name,
            machine: "studio",
            cooling,
            tune: "",
            pl1_w,
            room_c: 22.0,
        }
    }
}

impl Studio {
    fn model(&self) -> MachineModel {
        MachineModel {
            cooling: Cooling {
                nodes: [(1.8, 0.06), (38.0, 0.06), (150.0, 0.04), (520.0, 0.0)]
                    .map(|(capacity_j_per_k, k_per_w)| LadderNode {
                        capacity_j_per_k,
                        resistance_k_per_w: self.resistance * k_per_w,
                    })
                    .to_vec(),
                g_nat_w_per_k: 0.5 / self.resistance,
                g_fan_w_per_k: 5.8 / self.resistance,
                fan_exponent: 0.55,
                reference_density_kg_m3: air_density_kg_m3(25.0, 0.0),
                case_offset_k: 1.0,
            },
            package: Package {
                demand_w: 210.0,
                base_w: 14.0,
                leak_w: 13.0,
                leak_beta_per_k: 0.016,
                reference_c: 70.0,
                reference_w: 210.0,
                hot_spot: 1.0,
                min_w: 6.0,
                work: Some(WorkLaw {
                    rate_ref: 45.0 * self.work,
                    exponent: 0.32,
                    curvature: -0.01,
                }),
                clocks: Vec::new(),
            },
            limits: LimitBehaviour {
                temp_limit_offset_k: -0.5,
                power_ratio: 1.0,
                tau_ratio: 1.0,
                other_limit_w: None,
            },
            fan: FanCurve {
                points: vec![(46.0, 0.34), (66.0, 0.60), (84.0, 1.0)],
                smoothing_s: 5.0,
                hysteresis_k: 0.0,
                slew_per_s: f64::INFINITY,
            },
            sound: Some(Sound {
                full_speed_dba: 39.0 + self.louder_db,
                k_db_per_decade: 55.0,
                background_dba: None,
            }),
            full_speed_rpm: Some(1600.0),
        }
    }

    /// The rows of a run.
    fn rows(&self, run: Typed<'_>) -> String {
        let model = self.model();
        let tier = |limit_w, window_s| BudgetTier { limit_w, window_s };
        let scenario = Scenario {
            tiers: vec![tier(run.pl1_w, 56.0), tier(253.0, 0.0)],
            temp_limit_c: Some(100.0),
            fan: FanControl::Curve { ceiling: 1.0 },
            room: vec![(0.0, run.room_c)],
            air_density_kg_m3: air_density_kg_m3(run.room_c, 0.0),
            duration_s: 600.0,
            step_s: 1.0,
            start: Start::SettledAt { power_w: 17.0 },
        };
        let summary = simulate(&model, &scenario, |_| {});
        let head = format!(
            "{},{},{},{},{},253,56,100,mixdown,{}",
            run.name, run.machine, run.cooling, run.tune, run.pl1_w, run.room_c
        );
        let rows = summary.phases.iter().map(|phase| {
            let share = phase.mean.fan_share;
            let level = model.sound.expect("a level").level(share).db();
            let heard = if phase.kind == PhaseKind::Boost {
                ",,,".to_owned()
            } else {
                format!(
                    "{:.0},{level:.1},1,{:.2}",
                    1600.0 * share,
                    summary.mean.work_rate
                )
            };
            format!(
                "{head},{},{:.0},{:.0},{:.0},{heard}\n",
                phase.kind,
                phase.end_s - phase.start_s,
                phase.mean.power_w,
                phase.mean.die_c
            )
        });
        rows.collect()
    }
}

/// A desk with a notebook of these runs.
fn desk(rows: &[String]) -> Desk {
    let desk = Desk::with_notebook();
    desk.add_readings(HEADER.to_owned() + &rows.concat()).ok();
    desk
}

fn before(cooling: &str) -> Vec<String> {
    [
        Typed::on(cooling, "65 W", 65.0),
        Typed::on(cooling, "110 W", 110.0),
        Typed::on(cooling, "140 W", 140.0),
        Typed::on(cooling, "170 W", 170.0),
    ]
    .map(|run| SOUND.rows(run))
    .to_vec()
}

fn with(mut rows: Vec<String>, more: impl IntoIterator<Item = String>) -> Desk {
    rows.extend(more);
    desk(&rows)
}

fn text<'a>(value: &'a Value, key: &str) -> &'a str {
    value[key].as_str().expect(key)
}

/// The run that confirms a choice, and the same after something happened.
#[test]
fn a_run_is_held_against_its_prediction() {
    let again = |name, studio: Studio| {
        studio.rows(Typed {
            room_c: 26.0,
            ..Typed::on("tower", name, 125.0)
        })
    };
    let desk = with(
        before("tower"),
        [
            again("confirming", SOUND),
            again(
                "dusty",
                Studio {
                    resistance: 1.18,
                    ..SOUND
                },
            ),
            again(
                "slow",
                Studio {
                    work: 0.93,
                    ..SOUND
                },
            ),
        ],
    );
    let base = "65 W,110 W,140 W,170 W";
    let verify = |run: &str| desk.json(["verify", "a.settle", run, "--use", base]);
    let good = verify("confirming");
    assert_eq!(text(&good, "schema"), "settlepoint.verify/1");
    assert_eq!(text(&good, "verdict"), "as_predicted", "{good}");
    assert_estimate(&good["difference"], "difference");
    assert!(good["reasons"].is_array());
    for quantity in good["quantities"].as_array().expect("quantities") {
        assert_keys(quantity, &["quantity", "measured", "matters", "verdict"]);
        assert_estimate(&quantity["predicted"], "predicted");
        assert_estimate(&quantity["difference"], "difference");
    }
    let dusty = verify("dusty");
    assert_eq!(text(&dusty, "verdict"), "hotter", "{dusty}");
    assert_eq!(text(&dusty, "quantity"), "package_c");
    let k_per_w = &dusty["causes"]["resistance_pct"];
    assert_estimate(k_per_w, "K/W");
    assert!(k_per_w["lo"].as_f64().expect("lo") > 0.0, "{k_per_w}");
    assert!(
        dusty["reasons"].to_string().contains("dust"),
        "{}",
        dusty["reasons"]
    );
    let slow = verify("slow");
    assert_eq!(text(&slow, "verdict"), "slower", "{slow}");
    assert!(slow["reasons"].to_string().contains("memory"), "{slow}");
    let said = desk
        .run(["verify", "a.settle", " DUSTY ", "--use", base])
        .ok()
        .out;
    assert!(said.starts_with("Hotter than predicted: "), "{said}");
}

#[test]
fn a_run_left_out_of_the_fits_can_be_verified_and_the_others_are_not() {
    let desk = desk(&before("tower"));
    desk.run(["exclude", "a.settle", "140 W", "--reason", "window open"])
        .ok();
    desk.run(["exclude", "a.settle", "65 W", "--reason", "cold start"])
        .ok();
    let v = desk.json(["verify", "a.settle", "140 W"]);
    assert_eq!(v["runs_used"], serde_json::json!(["110 W", "170 W"]));
    assert_eq!(v["excluded"][0]["run"], "65 W");
}

#[test]
fn what_cannot_be_verified_says_why() {
    let desk = desk(&[SOUND.rows(Typed::on("tower", "only", 125.0))]);
    desk.run(["verify", "a.settle", "only"])
        .refused(4)
        .saying(&["the only one on its cooling"]);
    desk.run(["verify", "a.settle", "other"])
        .refused(2)
        .saying(&["'other'", "'only'"]);
    desk.run(["verify", "a.settle", "only", "--temp-matters", "-3"])
        .refused(2);
}

/// Another cooling in another room, with another tune and the meter elsewhere.
#[test]
fn two_coolings_are_compared_and_what_else_changed_is_told() {
    let dusty = Studio {
        resistance: 1.15,
        ..SOUND
    };
    let after = |name, pl1_w| {
        dusty
            .rows(Typed {
                room_c: 27.0,
                tune: "memory at 5600",
                ..Typed::on("tower after two years", name, pl1_w)
            })
            .replace(",1,", ",0.6,")
    };
    let desk = with(
        before("tower"),
        [after("old 70 W", 70.0), after("old 130 W", 130.0)],
    );
    let c = desk.json(["before-after", "a.settle", "tower", "Tower after two years"]);
    assert_eq!(text(&c, "schema"), "settlepoint.before-after/1");
    assert_eq!(text(&c, "verdict"), "worse", "{c}");
    assert_estimate(&c["ratio"], "ratio");
    assert!(c["ratio"]["lo"].as_f64().expect("lo") > 1.0);
    assert_estimate(&c["difference_k_per_w"], "difference");
    for row in c["at_equal_speed"].as_array().expect("rows") {
        assert_keys(row, &["fan_speed_rpm", "verdict", "both_reached"]);
        assert_estimate(&row["before_k_per_w"], "before");
        assert_estimate(&row["after_k_per_w"], "after");
    }
    assert!(
        c["at_equal_level"]
            .as_array()
            .is_some_and(|r| !r.is_empty())
    );
    let else_changed = c["else_changed"].to_string();
    for part in ["memory at 5600", "0.6 m", "27.0 °C"] {
        assert!(else_changed.contains(part), "{part} in {else_changed}");
    }
    let back = desk.json(["before-after", "a.settle", "tower after two years", "tower"]);
    assert_eq!(text(&back, "verdict"), "better", "{back}");
    let wide = desk.json([
        "before-after",
        "a.settle",
        "tower",
        "tower after two years",
        "--smallest",
        "40",
    ]);
    assert_eq!(text(&wide, "verdict"), "no_difference", "{wide}");
}

#[test]
fn coolings_that_cannot_be_compared_say_why() {
    let desk = with(
        before("tower"),
        [SOUND.rows(Typed {
            machine: "lounge",
            ..Typed::on("flat", "lounge 65 W", 65.0)
        })],
    );
    desk.run(["add", "cooling", "a.settle", "bare", "--machine", "studio"])
        .ok();
    let compare = |before: &str, after: &str| desk.run(["before-after", "a.settle", before, after]);
    compare("tower", "tower")
        .refused(2)
        .saying(&["one cooling"]);
    compare("tower", "flat")
        .refused(2)
        .saying(&["'studio' has", "'lounge' has 'flat'", "check"]);
    compare("tower", "bare")
        .refused(4)
        .saying(&["no run", "'bare'"]);
}

fn unit<'a>(machine: &'a str, name: &'a str, pl1_w: f64) -> Typed<'a> {
    Typed {
        machine,
        ..Typed::on("as built", name, pl1_w)
    }
}

/// A small series: one unit measured well, one good, one with a bad mount.
fn series() -> Desk {
    let bad = Studio {
        resistance: 1.35,
        ..SOUND
    };
    let desk = Desk::with_notebook();
    for (name, serial) in [("first", "001"), ("second", "002"), ("third & last", "003")] {
        desk.run([
            "add", "machine", "a.settle", name, "--model", "Attic 7", "--serial", serial,
        ])
        .ok();
    }
    let rows = [
        SOUND.rows(unit("first", "r 65", 65.0)),
        SOUND.rows(unit("first", "r 110", 110.0)),
        SOUND.rows(unit("first", "r 170", 170.0)),
        SOUND.rows(unit("second", "s 125", 125.0)),
        bad.rows(unit("third & last", "t 125", 125.0)),
    ];
    desk.add_readings(HEADER.to_owned() + &rows.concat()).ok();
    desk
}

#[test]
fn units_are_checked_against_their_reference() {
    let desk = series();
    let c = desk.json(["check", "a.settle", "--against", "first"]);
    assert_eq!(text(&c, "schema"), "settlepoint.check/1");
    assert_eq!(text(&c, "verdict"), "fail", "{c}");
    let units = c["units"].as_array().expect("units");
    assert_eq!(units.len(), 2);
    assert_eq!(text(&units[0], "verdict"), "pass", "{}", units[0]);
    assert_eq!(text(&units[1], "verdict"), "fail", "{}", units[1]);
    for row in units[1]["conditions"][0]["rows"].as_array().expect("rows") {
        assert_keys(row, &["item", "tolerance", "verdict"]);
        for key in ["reference", "unit", "difference"] {
            assert_estimate(&row[key], key);
        }
    }
    let fails = |rows: &Value, item: &str| {
        let rows = rows.as_array().expect("rows");
        let row = rows.iter().find(|r| r["item"] == item).expect("the item");
        row["verdict"] == "fail"
    };
    let rows = &units[1]["conditions"][0]["rows"];
    assert!(fails(rows, "package_c") && fails(rows, "resistance_k_per_w"));
    assert!(!fails(rows, "power_w") && !fails(rows, "work_rel"));
    // A wide tolerance lets it pass; a model's name means all its other units.
    let wide = desk.json([
        "check",
        "a.settle",
        "--against",
        "attic 7",
        "--unit",
        "third & last",
        "--temp-tolerance",
        "45",
        "--resistance-tolerance",
        "90",
        "--level-tolerance",
        "15",
        "--work-tolerance",
        "15",
        "--power-tolerance",
        "15",
    ]);
    assert_eq!(wide["against"].as_array().map(Vec::len), Some(2));
    assert_eq!(text(&wide, "verdict"), "pass", "{wide}");
}

#[test]
fn the_sheet_can_be_printed_and_a_failure_ends_with_1() {
    let desk = series();
    let check = ["check", "a.settle", "--against", "first", "--deny", "fail"];
    let said = desk.run(check);
    assert_eq!(said.code, Some(1), "{said:?}");
    for part in [
        "Unit check: PASS",
        "Unit check: FAIL",
        "second, model Attic 7, serial 002",
        "Checked by",
    ] {
        assert!(said.out.contains(part), "{part} in {}", said.out);
    }
    let wide = said.out.lines().map(|l| l.chars().count()).max();
    assert!(wide.is_some_and(|w| w <= 140), "fits a page: {wide:?}");
    let said = desk.run(check.into_iter().chain(["-o", "sheet.html"]));
    assert_eq!(said.code, Some(1), "{said:?}");
    let page = std::fs::read_to_string(desk.path("sheet.html")).expect("the sheet");
    assert!(page.contains("third &amp; last") && page.matches("<section>").count() == 2);
    assert!(
        !page.contains("http"),
        "the page asks for nothing from elsewhere"
    );
    let fine = [
        "check",
        "a.settle",
        "--against",
        "first",
        "--unit",
        "second",
        "--deny",
        "cannot-tell",
    ];
    desk.run(fine).ok();
}

#[test]
fn a_check_of_nothing_says_what_is_missing() {
    let desk = series();
    desk.run(["add", "machine", "a.settle", "fourth", "--model", "Attic 7"])
        .ok();
    let check = |args: &[&str]| desk.run(["check", "a.settle"].iter().chain(args));
    check(&["--against", "fourth"])
        .refused(4)
        .saying(&["'fourth'", "no run"]);
    check(&["--against", "first", "--unit", "fourth"])
        .refused(4)
        .saying(&["'fourth'"]);
    check(&["--against", "first", "--unit", "first"])
        .refused(2)
        .saying(&["itself"]);
    check(&["--against", "Attic 7"])
        .refused(2)
        .saying(&["is a model", "--unit"]);
    check(&["--against", "Attic 8"])
        .refused(2)
        .saying(&["'first'"]);
    check(&[]).refused(2).saying(&["--against"]);
}
