//! Planning the next runs.

use serde_json::Value;

use crate::support::{Desk, assert_keys};

fn width(value: &Value, key: &str) -> f64 {
    value[key].as_f64().expect("a half-width")
}

/// Each run narrows the intervals, none gets below the scatter of one run to the next, and the sheet
/// adds up.
#[test]
fn a_plan_names_runs_with_their_gain_and_a_sheet() {
    let desk = Desk::with_three_runs();
    let plan = desk.json(["plan", "a.settle", "--runs", "3", "--room", "35"]);
    assert_keys(
        &plan,
        &[
            "schema",
            "runs",
            "sheet",
            "hours",
            "now",
            "floor",
            "worthwhile",
        ],
    );
    let runs = plan["runs"].as_array().expect("runs");
    assert_eq!(runs.len(), 3);
    let mut before = width(&plan["now"], "temperature_k");
    for run in runs {
        assert_keys(run, &["setting", "workload", "reason", "gain", "after"]);
        let after = width(&run["after"], "temperature_k");
        let gain = run["gain"]["temperature_k"].as_f64().expect("a gain");
        // Both from the same figures, printed to nine digits.
        assert!((before - gain - after).abs() < 1e-6);
        assert!(after >= width(&plan["floor"], "temperature_k"));
        before = after;
    }
    assert!(before < width(&plan["now"], "temperature_k"));
    let minutes: f64 = plan["sheet"]
        .as_array()
        .expect("steps")
        .iter()
        .map(|s| s["minutes"].as_f64().expect("minutes"))
        .sum();
    assert!((minutes / 60.0 - plan["hours"].as_f64().expect("hours")).abs() < 1e-6);
}

#[test]
fn sheets_are_written_as_the_file_name_says() {
    let desk = Desk::with_three_runs();
    desk.run([
        "plan", "a.settle", "-o", "p.csv", "-o", "p.html", "-o", "p.txt",
    ])
    .ok();
    let csv = std::fs::read_to_string(desk.path("p.csv")).expect("a table");
    let sheet = settlepoint_sheet::read(&csv, "p.csv").expect("a sheet that can be read");
    assert_eq!(sheet.rows.len(), 3);
    assert!(sheet.rows.iter().all(|r| r.pl1_w.value().is_some()));
    assert!(
        sheet
            .rows
            .iter()
            .all(|r| r.run_s.is_some_and(|s| s >= 60.0))
    );
    let page = std::fs::read_to_string(desk.path("p.html")).expect("a page");
    assert!(page.starts_with("<!DOCTYPE html>") && page.contains("Cautions"));
    for outside in ["http:", "https:", "src=", "href=", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
    desk.run(["plan", "a.settle", "-o", "p.doc"])
        .refused(2)
        .saying(&["p.doc", ".csv, .html or .txt"]);
}

#[test]
fn names_in_a_printed_sheet_are_text() {
    let desk = Desk::with_notebook();
    desk.add_readings(
        "run,pl1_w,workload,room_c,phase,power_w,package_c,score\n\
         1,150,<script>alert(1)</script>,22,sustained,150,80,100\n\
         2,90,<script>alert(1)</script>,22,sustained,90,60,85\n",
    )
    .ok();
    desk.run(["plan", "a.settle", "-o", "p.html"]).ok();
    let page = std::fs::read_to_string(desk.path("p.html")).expect("a page");
    assert!(!page.contains("<script>") && page.contains("&lt;script&gt;"));
}

/// An empty notebook gets first runs that spread over the power limit given.
#[test]
fn an_empty_notebook_gets_first_runs() {
    let desk = Desk::with_notebook();
    let plan = desk.json(["plan", "a.settle", "--stock-watts", "125", "--runs", "3"]);
    let watts: Vec<f64> = plan["runs"]
        .as_array()
        .expect("runs")
        .iter()
        .map(|r| r["setting"]["pl1_w"].as_f64().expect("watts"))
        .collect();
    let top = watts.iter().copied().fold(0.0, f64::max);
    let low = watts.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(top <= 125.0 && top > 110.0, "{watts:?}");
    assert!(low < 0.7 * 125.0, "{watts:?}");
    let wide = width(&plan["now"], "temperature_k");
    let last = width(&plan["runs"][2]["after"], "temperature_k");
    assert!(last < 0.3 * wide, "{last} of {wide}");
    let portable = desk.json(["plan", "a.settle", "--kind", "portable"]);
    assert!(portable["runs"][0]["setting"]["pl1_w"].as_f64() <= Some(45.0));
}

#[test]
fn slips_are_named() {
    let desk = Desk::with_three_runs();
    desk.run(["plan", "a.settle", "--kind", "desktop"])
        .refused(2)
        .saying(&["--kind", "without runs"]);
    desk.run(["plan", "a.settle", "--temp-max", "20", "--room", "30"])
        .refused(2)
        .saying(&["--temp-max", "above"]);
    desk.run(["plan", "a.settle", "--runs", "0"]).refused(2);
}

#[test]
fn a_plan_keeps_to_the_hours_given() {
    let desk = Desk::with_three_runs();
    let all = desk.json(["plan", "a.settle", "--runs", "6"]);
    let some = desk.json(["plan", "a.settle", "--runs", "6", "--hours", "1"]);
    assert!(some["hours"].as_f64() <= Some(1.0));
    let count = |plan: &Value| plan["runs"].as_array().map_or(0, Vec::len);
    assert!(count(&some) < count(&all) && count(&some) > 0);
    let said = desk
        .run(["plan", "a.settle", "--runs", "6", "--hours", "1"])
        .ok();
    assert!(said.out.contains("fit into 1.0 h"), "{}", said.out);
}
