//! Distribution functions against values of 60 digits; see `data/generate_distributions.py`.

use settlepoint_stats::distributions::{ChiSquared, FisherF, StandardNormal, StudentT};

struct Row<'a> {
    kind: &'a str,
    distribution: &'a str,
    dof: [f64; 2],
    x: f64,
    p: f64,
    values: [f64; 3],
}

fn number(field: &str) -> f64 {
    if field.is_empty() {
        f64::NAN
    } else {
        field.parse().expect("a number")
    }
}

fn rows() -> Vec<Row<'static>> {
    include_str!("data/distributions.csv")
        .lines()
        .filter(|line| !line.starts_with('#') && !line.starts_with("kind"))
        .map(|line| {
            let f: Vec<&str> = line.split(',').collect();
            Row {
                kind: f[0],
                distribution: f[1],
                dof: [number(f[2]), number(f[3])],
                x: number(f[4]),
                p: number(f[5]),
                values: [number(f[6]), number(f[7]), number(f[8])],
            }
        })
        .collect()
}

/// Density, lower tail, upper tail.
fn ours(row: &Row) -> [f64; 3] {
    let ([m, n], x) = (row.dof, row.x);
    match row.distribution {
        "normal" => {
            let d = StandardNormal;
            [d.pdf(x), d.cdf(x), d.sf(x)]
        }
        "t" => {
            let d = StudentT::new(m).expect("positive");
            [d.pdf(x), d.cdf(x), d.sf(x)]
        }
        "chi2" => {
            let d = ChiSquared::new(m).expect("positive");
            [d.pdf(x), d.cdf(x), d.sf(x)]
        }
        _ => {
            let d = FisherF::new(m, n).expect("positive");
            [d.pdf(x), d.cdf(x), d.sf(x)]
        }
    }
}

fn our_quantile(row: &Row) -> f64 {
    let [m, n] = row.dof;
    match row.distribution {
        "normal" => StandardNormal.quantile(row.p),
        "t" => StudentT::new(m).expect("positive").quantile(row.p),
        "chi2" => ChiSquared::new(m).expect("positive").quantile(row.p),
        _ => FisherF::new(m, n).expect("positive").quantile(row.p),
    }
}

/// Twenty roundings or so in the exponent, which itself may be some tens: 1e-13. An argument far
/// out is itself rounded in effect (`x^2/2` of 684 at x = 37): 1e-13 times that is allowed only
/// where the tail is below 1e-100. Values below the smallest normal double keep fewer digits.
#[test]
fn densities_and_tails() {
    let mut worst = 0.0_f64;
    let mut tested = 0;
    for row in rows().iter().filter(|row| row.kind == "value") {
        for (name, (got, want)) in ["pdf", "cdf", "sf"]
            .iter()
            .zip(ours(row).into_iter().zip(row.values))
        {
            let error = if want.abs() < 1e-300 {
                got - want
            } else {
                got / want - 1.0
            }
            .abs();
            let tolerance = if want < 1e-100 { 1e-12 } else { 1e-13 };
            let [m, n] = row.dof;
            assert!(
                error <= tolerance,
                "{name} of {} {m} {n} at {}: {got:e} instead of {want:e}, error {error:e}",
                row.distribution,
                row.x
            );
            worst = worst.max(error);
            tested += 1;
        }
    }
    println!("{tested} values, largest relative error {worst:e}");
    assert!(tested > 500);
}

/// The logarithm of the quantile is solved for to a few units of its last digit, 1e-15 to 1e-14.
/// A relative error e of the tail moves the quantile by e * tail / (x density), which is below e
/// for x above the median of the absolute value; p itself is exact.
#[test]
fn quantiles() {
    let mut worst = 0.0_f64;
    let mut tested = 0;
    for row in rows().iter().filter(|row| row.kind == "quantile") {
        let got = our_quantile(row);
        let error = (got / row.x - 1.0).abs();
        let [m, n] = row.dof;
        assert!(
            error <= 1e-14,
            "{} {m} {n} at {}: {got:e} instead of {:e}, error {error:e}",
            row.distribution,
            row.p,
            row.x
        );
        worst = worst.max(error);
        tested += 1;
    }
    println!("{tested} quantiles, largest relative error {worst:e}");
    assert!(tested > 140);
}

/// JCGM 100:2008 (GUM), table G.2, printed to two decimals.
#[test]
fn printed_table_of_the_guide() {
    let table = [
        (1.0, [6.31, 12.71, 63.66]),
        (2.0, [2.92, 4.30, 9.92]),
        (5.0, [2.02, 2.57, 4.03]),
        (10.0, [1.81, 2.23, 3.17]),
        (20.0, [1.72, 2.09, 2.85]),
        (50.0, [1.68, 2.01, 2.68]),
        (100.0, [1.660, 1.984, 2.626]),
        (f64::INFINITY, [1.645, 1.960, 2.576]),
    ];
    for (dof, factors) in table {
        let t = StudentT::new(dof).expect("positive");
        for (level, printed) in [0.90, 0.95, 0.99].into_iter().zip(factors) {
            assert!(
                (t.coverage_factor(level) - printed).abs() <= 0.005,
                "{dof} {level}"
            );
        }
    }
}

#[test]
fn edges() {
    let t = StudentT::new(3.0).expect("positive");
    assert!(t.quantile(0.5).abs() < 1e-300);
    assert!(t.quantile(1.0).is_infinite() && t.quantile(0.0) < 0.0);
    assert!(t.quantile(-0.1).is_nan() && t.quantile(f64::NAN).is_nan());
    // 2 / (pi sqrt 3), by hand.
    assert!((t.pdf(0.0) - 0.367_552_596_947_861_4).abs() < 1e-15);
    assert!(t.sf(f64::INFINITY).abs() < 1e-300 && t.sf(f64::NAN).is_nan());
    assert!(t.sf(1e200) >= 0.0 && t.sf(1e200) < 1e-300);
    let normal = StandardNormal;
    assert!((normal.cdf(f64::INFINITY) - 1.0).abs() < 1e-300);
    let chi2 = ChiSquared::new(2.0).expect("positive");
    assert!((chi2.pdf(0.0) - 0.5).abs() < 1e-15 && chi2.cdf(-1.0).abs() < 1e-300);
    let f = FisherF::new(2.0, 4.0).expect("positive");
    assert!((f.pdf(0.0) - 1.0).abs() < 1e-14 && f.pdf(-1.0).abs() < 1e-300);
    for wrong in [0.0, -1.0, f64::NAN] {
        assert!(StudentT::new(wrong).is_err() && FisherF::new(1.0, wrong).is_err());
    }
    assert!(ChiSquared::new(f64::INFINITY).is_err());
}

/// Many degrees of freedom must approach the normal smoothly, at the rate (x^3 + x) / 4n of the
/// first term of the expansion (Abramowitz and Stegun 26.7.5).
#[test]
fn many_degrees_of_freedom_approach_the_normal() {
    let z = StandardNormal.quantile(0.975);
    for dof in [1e6, 1e8, 1e10, 1e14, 1e21] {
        let t = StudentT::new(dof).expect("positive").quantile(0.975);
        let first_order = z + (z.powi(3) + z) / (4.0 * dof);
        // The next term is below 3 / n^2.
        assert!(
            (t - first_order).abs() < 3.0 / dof.powi(2) + 1e-13,
            "{dof}: {t} {first_order}"
        );
    }
}
