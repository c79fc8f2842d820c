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
            said.saying(&["log"]);
        }
    }
    assert!(
        refused.iter().all(|n| ["run", "impedance"].contains(n)),
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
