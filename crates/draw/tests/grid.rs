//! Every chart in every size and theme, with the names and numbers that come: what must hold wherever
//! it is drawn.

#[path = "support/odd.rs"]
mod odd;
#[path = "support/samples.rs"]
mod samples;

use settlepoint_draw::{Chart, DARK, LEAST_SIZE, LIGHT, Look, PAGE, Picture, Rect, png};

/// As a phone, a window, a slide and the least that is promised have it, px.
const SIZES_PX: [(f64, f64); 5] = [
    (358.0, 380.0),
    (640.0, 400.0),
    (1280.0, 720.0),
    (900.0, 300.0),
    LEAST_SIZE,
];

/// Boxes are reckoned from advances: a glyph's edge may lie half a unit beyond.
const EDGE_PX: f64 = 0.5;

/// What is wrong with a chart, a line each.
fn check(chart: &dyn Chart, look: &Look, what: &str) -> Vec<String> {
    let picture = chart.draw(look);
    let name = format!("{} {what} {}x{}", chart.name(), look.width, look.height);
    let mut wrong = wrong_markup(&picture);
    wrong.extend(wrong_places(&picture));
    // What can be seen can be read.
    let table = chart.table();
    if table.rows.iter().any(|r| r.len() != table.header.len()) {
        wrong.push("a row of the table has too few or many cells".to_owned());
    }
    let cells = table.rows.iter().flatten();
    wrong.extend(
        cells
            .filter(|c| c.contains("NaN") || c.contains("inf"))
            .cloned(),
    );
    wrong.iter().map(|w| format!("{name}: {w}")).collect()
}

fn wrong_markup(picture: &Picture) -> Vec<String> {
    let mut wrong = Vec::new();
    let svg = &picture.svg;
    let document = match roxmltree::Document::parse(svg) {
        Ok(document) => document,
        Err(error) => return vec![format!("no XML: {error}")],
    };
    for odd in ["NaN", "inf", "-inf"] {
        let mut words = svg.split(|c: char| !(c.is_alphanumeric() || c == '-'));
        if words.any(|word| word == odd) {
            wrong.push(odd.to_owned());
        }
    }
    let loads = ["script", "image", "use", "foreignObject", "a", "style"];
    for node in document.descendants().filter(roxmltree::Node::is_element) {
        let name = node.tag_name().name();
        // Several charts share a page: there are no ids.
        let odd = |a: roxmltree::Attribute<'_, '_>| a.name() == "id" || a.name().starts_with("on");
        if loads.contains(&name) || node.attributes().any(odd) {
            wrong.push(format!("{node:?}"));
        }
    }
    wrong
}

fn wrong_places(picture: &Picture) -> Vec<String> {
    let mut wrong = Vec::new();
    let whole = Rect::new(0.0, 0.0, picture.width, picture.height);
    for (i, text) in picture.texts.iter().enumerate() {
        let own = text.rect.grown(-EDGE_PX);
        if !own.is_inside(&whole) {
            wrong.push(format!("{text:?} outside"));
        }
        for other in &picture.texts[..i] {
            if own.overlap(&other.rect.grown(-EDGE_PX)) > 0.0 {
                wrong.push(format!("{text:?} over {other:?}"));
            }
        }
        let in_plot = |plot: &&Rect| text.class != "label" && own.overlap(plot) > 0.0;
        if let Some(plot) = picture.plots.iter().find(in_plot) {
            wrong.push(format!("{text:?} in {plot:?}"));
        }
    }
    for (i, plot) in picture.plots.iter().enumerate() {
        let over = picture.plots[..i].iter().any(|p| plot.overlap(p) > 0.0);
        if over || !plot.is_inside(&whole) {
            wrong.push(format!("{plot:?} over another or outside"));
        }
    }
    wrong
}

fn everywhere(charts: &[Box<dyn Chart>], what: &str) -> Vec<String> {
    let mut wrong = Vec::new();
    for chart in charts {
        for (width, height) in SIZES_PX {
            let look = Look::new(width, height, &LIGHT);
            wrong.extend(check(&**chart, &look, what));
            wrong.extend(check(&**chart, &look.untitled().reduced_to(300), what));
        }
    }
    wrong
}

fn assert_none(wrong: &[String]) {
    let first: Vec<&str> = wrong.iter().map(String::as_str).take(30).collect();
    assert!(
        wrong.is_empty(),
        "{} wrong:\n{}",
        wrong.len(),
        first.join("\n")
    );
}

#[test]
fn charts_keep_their_texts_apart_at_every_size() {
    assert_none(&everywhere(&samples::all(), ""));
}

/// Themes change colours and nothing else.
#[test]
fn themes_change_only_colours() {
    for chart in samples::all() {
        let [light, dark, page] = [&LIGHT, &DARK, &PAGE].map(|theme| {
            let picture = chart.draw(&Look::new(1280.0, 720.0, theme).reduced_to(400));
            assert_none(&wrong_markup(&picture));
            picture
        });
        assert_eq!(light.texts, dark.texts);
        assert_eq!(light.texts, page.texts);
        assert!(!light.svg.contains("var(") && !dark.svg.contains("var("));
        assert!(page.svg.contains("var(--sp-ink)") && !page.svg.contains(LIGHT.ink));
    }
}

#[test]
fn names_of_any_length_and_script_stay_in_their_places() {
    let all = odd::NAMES.map(|name| everywhere(&odd::named(name), name));
    assert_none(&all.concat());
}

#[test]
fn numbers_of_any_kind_are_drawn_or_left_out() {
    let all = odd::NUMBERS.map(|(what, of)| everywhere(&odd::with_numbers(of), what));
    assert_none(&all.concat());
}

#[test]
fn few_and_many_of_everything_are_drawn() {
    assert_none(&everywhere(&odd::counted(), "counted"));
}

/// Names are attributes too: those that scripts look for equal what was given.
#[test]
fn names_in_the_markup_are_those_given() {
    for name in odd::NAMES {
        for chart in odd::named(name) {
            let svg = chart.draw(&Look::new(1280.0, 720.0, &LIGHT)).svg;
            let document = roxmltree::Document::parse(&svg).expect("an SVG is XML");
            let named = document.descendants().filter(|n| {
                n.attribute("data-label") == Some(name) || n.attribute("data-name") == Some(name)
            });
            assert!(named.count() > 0, "{name} in {}", chart.name());
        }
    }
}

#[test]
fn signs_that_the_typeface_lacks_are_reported() {
    for chart in odd::named(odd::NAMES[1]) {
        let picture = chart.draw(&Look::new(1280.0, 720.0, &LIGHT));
        assert!(
            picture.missing.contains(&'空') || picture.missing.contains(&'冷'),
            "{}",
            chart.name()
        );
    }
}

#[test]
fn a_png_has_the_size_asked_for() {
    for chart in samples::all() {
        let bytes = png(&chart.draw(&Look::for_pixels(641, 399, &DARK)), 641, 399).expect("a PNG");
        // PNG (ISO/IEC 15948), 11.2.2: width and height follow the first 16 bytes, big-endian.
        assert_eq!(bytes[16..20], 641_u32.to_be_bytes());
        assert_eq!(bytes[20..24], 399_u32.to_be_bytes());
    }
}
