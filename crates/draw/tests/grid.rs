//! Every chart in every size and theme: what must hold wherever it is drawn.

#[path = "support/samples.rs"]
mod samples;

use settlepoint_draw::{DARK, LIGHT, Look, PAGE, Rect, png};

const SIZES_PX: [(u32, u32); 3] = [(640, 400), (1280, 720), (1920, 1080)];

#[test]
fn texts_stay_inside_and_the_markup_reads_back() {
    for chart in samples::all() {
        for theme in [&LIGHT, &DARK, &PAGE] {
            for (width_px, height_px) in SIZES_PX {
                let picture = chart.draw(&Look::for_pixels(width_px, height_px, theme));
                roxmltree::Document::parse(&picture.svg).expect("an SVG is XML");
                assert!(!picture.svg.contains("NaN") && !picture.svg.contains("inf,"));
                // Half a unit: the width of a glyph's edge beyond its advance.
                let whole = Rect::new(0.0, 0.0, picture.width, picture.height).grown(0.5);
                for text in &picture.texts {
                    assert!(
                        text.rect.is_inside(&whole),
                        "{width_px}x{height_px}: {text:?}"
                    );
                }
            }
        }
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
