//! The 27 nonlinear regression problems of the NIST Statistical Reference Datasets, from both
//! certified starts, with derivatives by differences (no analytic help).
#![allow(
    clippy::print_stdout,
    reason = "the table is what one reads when a digit is lost"
)]

use std::f64::consts::PI;

use settlepoint_stats::least_squares::{Fit, Options, Problem, minimise};

struct Certified {
    name: String,
    y: Vec<f64>,
    x1: Vec<f64>,
    x2: Vec<f64>,
    starts: [Vec<f64>; 2],
    params: Vec<f64>,
    sd: Vec<f64>,
    residual_ss: f64,
}

fn numbers(table: &toml::Table, key: &str) -> Vec<f64> {
    let Some(values) = table.get(key).and_then(toml::Value::as_array) else {
        return Vec::new();
    };
    values
        .iter()
        .map(|v| v.as_float().expect("a float"))
        .collect()
}

fn load(text: &str) -> Certified {
    let table: toml::Table = text.parse().expect("valid TOML");
    let name = table["name"].as_str().expect("a name").to_owned();
    let first = if name == "Nelson" { "x1" } else { "x" };
    Certified {
        y: numbers(&table, "y"),
        x1: numbers(&table, first),
        x2: numbers(&table, "x2"),
        starts: [numbers(&table, "start1"), numbers(&table, "start2")],
        params: numbers(&table, "certified"),
        sd: numbers(&table, "certified_sd"),
        residual_ss: table["residual_sum_of_squares"]
            .as_float()
            .expect("a float"),
        name,
    }
}

macro_rules! problems {
    ($($name:literal),*) => {
        fn problems() -> Vec<Certified> {
            vec![$(load(include_str!(concat!("data/nist/", $name, ".toml")))),*]
        }
    };
}
problems!(
    "Bennett5", "BoxBOD", "Chwirut1", "Chwirut2", "DanWood", "ENSO", "Eckerle4", "Gauss1",
    "Gauss2", "Gauss3", "Hahn1", "Kirby2", "Lanczos1", "Lanczos2", "Lanczos3", "MGH09", "MGH10",
    "MGH17", "Misra1a", "Misra1b", "Misra1c", "Misra1d", "Nelson", "Rat42", "Rat43", "Roszman1",
    "Thurber"
);

fn exponentials(b: &[f64], x: f64) -> f64 {
    b.chunks(2).map(|pair| pair[0] * (-pair[1] * x).exp()).sum()
}

fn peak(height: f64, centre: f64, width: f64, x: f64) -> f64 {
    height * (-((x - centre) / width).powi(2)).exp()
}

fn season(cosine: f64, sine: f64, period: f64, x: f64) -> f64 {
    let phase = 2.0 * PI * x / period;
    cosine * phase.cos() + sine * phase.sin()
}

fn polynomial(b: &[f64], x: f64) -> f64 {
    b.iter().rev().fold(0.0, |sum, b| sum * x + b)
}

fn model(name: &str, b: &[f64], x: f64, x2: f64) -> f64 {
    match name {
        "Bennett5" => b[0] * (b[1] + x).powf(-1.0 / b[2]),
        "BoxBOD" | "Misra1a" => b[0] * (1.0 - (-b[1] * x).exp()),
        "Chwirut1" | "Chwirut2" => (-b[0] * x).exp() / (b[1] + b[2] * x),
        "DanWood" => b[0] * x.powf(b[1]),
        "ENSO" => {
            b[0] + season(b[1], b[2], 12.0, x)
                + season(b[4], b[5], b[3], x)
                + season(b[7], b[8], b[6], x)
        }
        "Eckerle4" => b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp(),
        "Gauss1" | "Gauss2" | "Gauss3" => {
            exponentials(&b[..2], x) + peak(b[2], b[3], b[4], x) + peak(b[5], b[6], b[7], x)
        }
        "Hahn1" | "Thurber" => polynomial(&b[..4], x) / (1.0 + x * polynomial(&b[4..], x)),
        "Kirby2" => polynomial(&b[..3], x) / (1.0 + x * polynomial(&b[3..], x)),
        "Lanczos1" | "Lanczos2" | "Lanczos3" => exponentials(b, x),
        "MGH09" => b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]),
        "MGH10" => b[0] * (b[1] / (x + b[2])).exp(),
        "MGH17" => b[0] + b[1] * (-x * b[3]).exp() + b[2] * (-x * b[4]).exp(),
        "Misra1b" => b[0] * (1.0 - (1.0 + b[1] * x / 2.0).powi(-2)),
        "Misra1c" => b[0] * (1.0 - (1.0 + 2.0 * b[1] * x).powf(-0.5)),
        "Misra1d" => b[0] * b[1] * x / (1.0 + b[1] * x),
        "Nelson" => b[0] - b[1] * x * (-b[2] * x2).exp(),
        "Rat42" => b[0] / (1.0 + (b[1] - b[2] * x).exp()),
        "Rat43" => b[0] / (1.0 + (b[1] - b[2] * x).exp()).powf(1.0 / b[3]),
        "Roszman1" => b[0] - b[1] * x - (b[2] / (x - b[3])).atan() / PI,
        other => panic!("no model for {other}"),
    }
}

impl Problem for Certified {
    fn len_params(&self) -> usize {
        self.params.len()
    }

    fn len_residuals(&self) -> usize {
        self.y.len()
    }

    fn residuals(&self, params: &[f64], out: &mut [f64]) {
        for (i, out) in out.iter_mut().enumerate() {
            let x2 = self.x2.get(i).copied().unwrap_or(0.0);
            let y = if self.name == "Nelson" {
                self.y[i].ln()
            } else {
                self.y[i]
            };
            *out = model(&self.name, params, self.x1[i], x2) - y;
        }
    }
}

/// Digits in common, `-log10` of the largest relative difference.
fn digits(got: &[f64], certified: &[f64]) -> f64 {
    let worst = got
        .iter()
        .zip(certified)
        .map(|(g, c)| ((g - c) / c).abs())
        .fold(
            1e-16,
            |worst: f64, e| if e.is_nan() { 1.0 } else { worst.max(e) },
        );
    -worst.log10()
}

fn fit(problem: &Certified, start: usize) -> Fit {
    minimise(problem, &problem.starts[start], &Options::default()).expect("a fit")
}

#[test]
fn table() {
    for problem in problems() {
        for start in 0..2 {
            let fit = fit(&problem, start);
            let sd = fit
                .standard_errors(None)
                .map_or(0.0, |sd| digits(&sd, &problem.sd));
            println!(
                "{:9} {} {:5.1} sd {:5.1} rss {:9.2e} cond {:8.1e} {:?} it {} ev {}",
                problem.name,
                start + 1,
                digits(&fit.params, &problem.params),
                sd,
                fit.residual_ss / problem.residual_ss - 1.0,
                fit.condition(),
                fit.stopped,
                fit.iterations,
                fit.evaluations
            );
        }
    }
}
