//! Charts of a notebook, as files.

use crate::support::Desk;

fn names(desk: &Desk) -> Vec<String> {
    let listed = desk.json(["chart", "a.settle", "--list"]);
    let charts = listed["charts"].as_array().expect("charts");
    charts
        .iter()
        .map(|c| c["name"].as_str().expect("a name").to_owned())
        .collect()
}

/// What needs a log says so; all else is drawn from three typed runs.
#[test]
fn every_chart_is_drawn_or_says_what_it_needs() {
    let desk = Desk::with_three_runs();
    let names = names(&desk);
    assert!(names.len() >= 10, "{names:?}");
    let mut refused = Vec::new();
    for name in &names {
        let file = format!("{name}.svg");
        let said = desk.run([
            "chart",
            "a.settle",
            name,
            "-o",
            &file,
            "--theme",
            "dark",
            "--temp-max",
            "90",
        ]);
        if said.code == Some(0) {
            let svg = std::fs::read_to_string(desk.path(&file)).expect("the file");
            assert!(svg.starts_with("<svg") && !svg.contains("NaN"), "{name}");
        } else {
            refused.push(name.as_str());
            let needs = if name == "forest" { "in common" } else { "log" };
            said.saying(&[needs]);
        }
    }
    assert!(
        refused.iter().all(|n| ["run", "forest"].contains(n)),
        "{refused:?}"
    );
}

#[test]
fn a_png_has_its_size_and_a_wrong_wish_is_named() {
    let desk = Desk::with_three_runs();
    desk.run([
        "chart", "a.settle", "work", "-o", "w.png", "--size", "801x451",
    ])
    .ok();
    let png = std::fs::read(desk.path("w.png")).expect("the file");
    // PNG (ISO/IEC 15948), 11.2.2: width and height follow the first 16 bytes, big-endian.
    assert_eq!(png[16..20], 801_u32.to_be_bytes());
    assert_eq!(png[20..24], 451_u32.to_be_bytes());
    let wish = |more: &[&str]| desk.run(["chart", "a.settle"].iter().chain(more));
    wish(&["work", "-o", "w.jpg"])
        .refused(2)
        .saying(&[".svg or .png"]);
    wish(&["tower", "-o", "w.svg"]).saying(&["'tower'", "work"]);
    wish(&["work", "-o", "w.svg", "--size", "9x9"])
        .refused(2)
        .saying(&["640x400"]);
}

/// Three rounds each: clearly slower, and a job counted in seconds that takes 0.2 % longer.
const SCORES: &str = "\
setting,workload,score,unit
stock,render,995,frames/h
stock,render,1000,frames/h
stock,render,1005,frames/h
125 W,render,857.7,frames/h
125 W,render,862,frames/h
125 W,render,866.3,frames/h
stock,export,99.9,s
stock,export,100.0,s
stock,export,100.1,s
125 W,export,100.1,s
125 W,export,100.2,s
125 W,export,100.3,s
";

/// The forest plot says what `compare` says; a longer time is less work.
#[test]
fn a_forest_plot_agrees_with_the_comparison() {
    let desk = Desk::with_notebook();
    desk.write("scores.csv", SCORES);
    desk.run(["add", "scores", "a.settle", "scores.csv"]);
    let compared = desk.json(["compare", "a.settle", "stock", "125 W"]);
    let wish = [
        "chart", "a.settle", "forest", "stock", "125 W", "-o", "f.svg",
    ];
    desk.run(wish).ok();
    let svg = std::fs::read_to_string(desk.path("f.svg")).expect("the file");
    for row in compared["rows"].as_array().expect("rows") {
        let name = row["workload"].as_str().expect("a name");
        let label = format!(r#"class="point" data-label="{name}"><title>{name}: "#);
        assert!(svg.contains(&label), "{name} in {svg}");
    }
    // 862 of 1000 is a change by -13.8 %; 100.2 s instead of 100 s is 0.2 % less work.
    assert!(svg.contains("render: \u{2212}13.8 % (") && svg.contains("slower"));
    assert!(svg.contains("export: \u{2212}0.2 % (") && svg.contains("same within 1 %"));
    desk.run([
        "chart", "a.settle", "forest", "stock", "no such", "-o", "f.svg",
    ])
    .refused(2)
    .saying(&["'no such'", "125 W"]);
    desk.run(["chart", "a.settle", "ranking", "stock", "-o", "f.svg"])
        .refused(2)
        .saying(&["forest"]);
}
