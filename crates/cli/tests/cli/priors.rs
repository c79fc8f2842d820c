//! Priors in the owner's hands, and what is said of the draws.

use crate::support::{Desk, THREE};

#[test]
fn an_owners_prior_replaces_the_tables() {
    let desk = Desk::with_three_runs();
    desk.write(
        "mine.toml",
        "[fan_exponent]\ncentre = 0.30\nsd = 0.001\nreason = \"a straight duct\"\n",
    );
    let fit = desk.json(["fit", "a.settle", "--prior-file", "mine.toml", "--priors"]);
    let exponent = &fit["models"]["thermal"]["fan_exponent"]["value"];
    // Three standard deviations of the stated prior.
    assert!((exponent.as_f64().expect("a number") - 0.30).abs() < 0.003);
    let priors = fit["priors"].as_array().expect("priors");
    let own = priors
        .iter()
        .find(|p| p["parameter"] == "fan_exponent")
        .expect("the prior");
    assert_eq!(own["reason"], "a straight duct");
}

#[test]
fn slips_in_a_file_of_priors_are_named() {
    let desk = Desk::with_three_runs();
    for (text, says) in [
        ("[fan_exponnent]\ncentre = 0.5\nsd = 0.1\n", "fan_exponnent"),
        ("[fan_exponent]\ncentre = 0.5\n", "has no sd"),
        (
            "[fan_exponent]\ncentre = 0.5\nsd = -1\n",
            "sd must be above 0",
        ),
        ("[die_share]\ncentre = 1.5\nsd = 0.1\n", "cannot be 1.5"),
        (
            "[fan_exponent]\ncentre = 0.5\nsd = 0.1\nwhy = \"x\"\n",
            "'why'",
        ),
        ("fan_exponent = 0.5\n", "is no table"),
        ("[fan_exponent\n", "mine.toml"),
    ] {
        desk.write("mine.toml", text);
        desk.run(["fit", "a.settle", "--prior-file", "mine.toml"])
            .refused(3)
            .saying(&[says]);
    }
    desk.run(["fit", "a.settle", "--prior-file", "none.toml"])
        .refused(3)
        .saying(&["none.toml"]);
}

#[test]
fn an_earlier_machine_serves_as_prior() {
    let desk = Desk::with_three_runs();
    let mut rows = THREE.lines();
    let header = rows.next().expect("a header");
    let one = rows.next().expect("a run");
    desk.run(["add", "machine", "a.settle", "second"]).ok();
    desk.add_readings(format!("{header},machine\n{one},second\n"))
        .ok();
    let first = desk.json(["fit", "a.settle", "--machine", "machine"]);
    let priors = |more: &[&str]| {
        let mut words = vec!["fit", "a.settle", "--machine", "second", "--priors"];
        words.extend(more);
        desk.json(words)["priors"]
            .as_array()
            .expect("priors")
            .clone()
    };
    let (table, beside) = (priors(&[]), priors(&["--like", "machine"]));
    let taken: Vec<_> = table
        .iter()
        .zip(&beside)
        .filter(|(_, b)| {
            let reason = b["reason"].as_str().expect("a reason");
            reason.contains("earlier machine")
        })
        .collect();
    assert!(taken.len() > 20, "{}", taken.len());
    assert!(
        taken
            .iter()
            .all(|(a, b)| b["sd"].as_f64() <= a["sd"].as_f64())
    );
    let share = taken
        .iter()
        .find(|(_, b)| b["parameter"] == "die_share")
        .expect("the die's share");
    let found = &first["models"]["thermal"]["die_share"]["value"];
    // The same number by the same road, printed to nine digits.
    let off = share.1["centre"].as_f64().expect("a centre") - found.as_f64().expect("a share");
    assert!(off.abs() < 1e-8, "{off}");
    // What is a size of the first machine stays there.
    assert!(
        beside
            .iter()
            .filter(|b| b["parameter"]
                .as_str()
                .is_some_and(|p| p.starts_with("demand_w")))
            .all(|b| !b["reason"].as_str().expect("a reason").contains("earlier"))
    );
}

#[test]
fn the_draws_are_accounted_for() {
    let desk = Desk::with_three_runs();
    let fit = desk.json(["fit", "a.settle"]);
    let sampling = &fit["sampling"];
    assert_eq!(sampling["draws"], 200);
    assert!(sampling["r_hat"].as_f64() >= Some(1.0));
    assert!(sampling["effective"].as_f64() > Some(4.0));
    let thorough = desk.json(["fit", "a.settle", "--thorough"]);
    let more = &thorough["sampling"];
    assert_eq!(more["draws"], 800);
    assert!(more["effective"].as_f64() > sampling["effective"].as_f64());
    assert_eq!(more["enough"], true, "{more}");
}
