//! `chart`.

use std::path::Path;

use serde_json::json;
use settlepoint_draw::{Chart, DARK, Fonts, LIGHT, Look, Picture, outlined, png};
use settlepoint_infer::choose::Constraints;
use settlepoint_views::charts::{Asked, NAMES, chart as draw, forest};
use settlepoint_views::compared::Sides;
use settlepoint_views::gather::{self, gather};

use crate::args::{ChartArgs, ThemeArg};
use crate::commands::compare::by;
use crate::error::{Code, Failure, with_path};
use crate::view::{Answer, table};

/// `settlepoint chart`.
pub(crate) fn chart(args: &ChartArgs) -> Result<Answer, Failure> {
    let (Some(name), Some(path), false) = (&args.name, &args.output, args.list) else {
        return Ok(list());
    };
    let form = Form::of(path)?;
    let chart = values(name, args)?;
    let theme = match args.theme {
        ThemeArg::Light => &LIGHT,
        ThemeArg::Dark => &DARK,
    };
    let (width, height) = args.size;
    let picture = chart.draw(&Look::for_pixels(width, height, theme));
    let bytes = bytes(&picture, form, args)?;
    std::fs::write(path, bytes).map_err(|e| with_path(path, "write", &e))?;
    Ok(answer(name, path, &picture, form, args))
}

fn values(name: &str, args: &ChartArgs) -> Result<Box<dyn Chart>, Failure> {
    if name != "forest" && !args.sides.is_empty() {
        return Err(Failure::usage(format!(
            "'{name}' takes no further names; only the chart 'forest' compares sides"
        )));
    }
    let book = gather::open(&args.pick.notebook)?;
    if name == "forest" {
        return Ok(Box::new(forest(
            &book,
            &Sides {
                names: args.sides.clone(),
                by: by(args.by),
                margin_pct: args.margin,
            },
        )?));
    }
    let gathered = gather(&book, &args.pick.pick()?)?;
    let asked = Asked {
        constraints: constraints(args),
        workload: gathered.workload(args.workload.as_deref())?,
        run: args.run.clone(),
    };
    Ok(draw(name, &book, &gathered, &asked)?)
}

fn list() -> Answer {
    let rows: Vec<Vec<String>> = NAMES
        .iter()
        .map(|(name, shows)| vec![(*name).to_owned(), (*shows).to_owned()])
        .collect();
    let charts: Vec<_> = NAMES
        .iter()
        .map(|(name, shows)| json!({ "name": name, "shows": shows }))
        .collect();
    Answer::new(
        json!({ "schema": "settlepoint.chart/1", "charts": charts }),
        table(&["chart", "shows"], &rows),
    )
}

/// What is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Svg,
    Png,
}

impl Form {
    fn of(path: &Path) -> Result<Self, Failure> {
        let end = path.extension().and_then(|e| e.to_str()).unwrap_or("");
        match end.to_ascii_lowercase().as_str() {
            "svg" => Ok(Self::Svg),
            "png" => Ok(Self::Png),
            _ => Err(Failure::usage(format!(
                "{}: give a file that ends in .svg or .png",
                path.display()
            ))),
        }
    }
}

fn constraints(args: &ChartArgs) -> Constraints {
    Constraints {
        room_c: args.room,
        altitude_m: args.altitude,
        temp_max_c: args.temp_max,
        confidence: 0.95,
        noise_max_dba: args.noise_max,
        noise_max_idle_dba: None,
        loss_max_pct: args.loss_max,
        wall_max_w: None,
        rest_w: 60.0,
        supply_efficiency: 0.88,
    }
}

fn bytes(picture: &Picture, form: Form, args: &ChartArgs) -> Result<Vec<u8>, Failure> {
    let made = match form {
        Form::Png => png(picture, args.size.0, args.size.1),
        Form::Svg if args.text_as_paths => outlined(picture).map(String::into_bytes),
        Form::Svg => Ok(picture.svg.clone().into_bytes()),
    };
    made.map_err(|e| Failure::new(Code::Usage, e.to_string()))
}

fn answer(name: &str, path: &Path, picture: &Picture, form: Form, args: &ChartArgs) -> Answer {
    // A browser has more fonts than this machine may have.
    let drawn = form == Form::Png || args.text_as_paths;
    let lacking: String = if drawn && !picture.missing.is_empty() {
        let signs = Fonts::for_picture(picture).lacking(&picture.missing);
        signs.into_iter().collect()
    } else {
        String::new()
    };
    let mut text = format!("wrote {}\n", path.display());
    if !lacking.is_empty() {
        text += &format!(
            "no font here has the signs {lacking}; boxes stand for them. Install a font that has them, \
             or write an SVG with text as text\n"
        );
    }
    if !picture.left_out.is_empty() {
        text += &format!("no room for the labels: {}\n", picture.left_out.join(", "));
    }
    Answer::new(
        json!({
            "schema": "settlepoint.chart/1",
            "chart": name,
            "file": path.display().to_string(),
            "missing_signs": lacking,
            "labels_left_out": picture.left_out,
        }),
        text,
    )
}
