//! `quietest` as its users see it.

use crate::support::Desk;

/// With one fan and one stage the answer is a formula: T = room + P (R + 1 / (g0 + g s^m)), so that
/// 1 / 0.5 = 2 W/K are needed for 100 W at 50 K above the room, 1 W/K from the fan, a quarter of its 2 W/K
/// squared: s = 0.25 for m = 0.5; and its level there is 40 + 50 lg 0.25 = 9.897 dB.
const ONE: &str = "power_w = 100\nroom_c = 20\ntemp_max_c = 70\n
[[stage]]\nname = \"cooler\"\nnatural_w_per_k = 1.0\n
[[fan]]\nname = \"only\"\nstage = \"cooler\"\nfull_speed_rpm = 2000\nmin_speed_rpm = 200\n\
conductance_w_per_k = 2.0\nexponent = 0.5\nlevel_dba = 40.0\nslope_db_per_decade = 50\n";

#[test]
fn one_fan_is_the_formula() {
    let desk = Desk::new();
    desk.write("one.toml", ONE);
    let found = desk.json(["quietest", "one.toml"]);
    let number = |key: &str| found[key].as_f64().expect("a number");
    assert_eq!(found["held"], true);
    assert!((found["fans"][0]["speed_rpm"].as_f64().expect("rpm") - 500.0).abs() <= 1.0);
    // A whole rpm is 0.2 % of the speed: 0.04 dB, 0.03 K.
    assert!((number("level_dba") - 9.897).abs() < 0.05);
    assert!(number("package_c") <= 70.0 && number("package_c") > 69.9);
    // dT/dL from the same formulas: dT/ds = -P / G^2 * g m s^(m-1) = -50, ds/dL = s ln 10 / 50.
    let kelvin = 50.0 * 0.25 * std::f64::consts::LN_10 / 50.0;
    assert!((number("kelvin_per_db") - kelvin).abs() < 0.02 * kelvin);
}

#[test]
fn the_template_can_be_used_as_it_is() {
    let desk = Desk::new();
    let template = desk.run(["quietest", "--template"]).ok().out;
    desk.write("studio.toml", template);
    let found = desk.json(["quietest", "studio.toml"]);
    assert_eq!(found["held"], true);
    assert_eq!(found["fans"].as_array().expect("fans").len(), 3);
    let said = desk.run(["quietest", "studio.toml"]).ok();
    assert!(
        said.out.contains("one decibel more would buy"),
        "{}",
        said.out
    );
    let hot = desk.json(["quietest", "studio.toml", "--power", "400"]);
    assert_eq!(hot["held"], false);
}

#[test]
fn mistakes_are_named_with_their_place() {
    let desk = Desk::new();
    for (wrong, right, words) in [
        (
            "levl_dba = 40",
            "level_dba = 40",
            vec!["fan 1: level_dba is missing"],
        ),
        (
            "\"40 dB\"",
            "40.0",
            vec!["fan 1: level_dba", "expected a number"],
        ),
        (
            "stage = \"case\"",
            "stage = \"cooler\"",
            vec!["no stage 'case'", "cooler"],
        ),
        (
            "exponent = 5",
            "exponent = 0.5",
            vec!["exponent of conductance 5"],
        ),
        (
            "pwoer_w = 1\npower_w = 100",
            "power_w = 100",
            vec!["pwoer_w is not known here"],
        ),
        ("power_w = = 100", "power_w = 100", vec!["line 1"]),
    ] {
        desk.write("bad.toml", ONE.replace(right, wrong));
        desk.run(["quietest", "bad.toml"])
            .refused(3)
            .saying(&words)
            .saying(&["bad.toml"]);
    }
    desk.run(["quietest", "none.toml"])
        .refused(3)
        .saying(&["none.toml"]);
    desk.run(["quietest"]).refused(2);
}
