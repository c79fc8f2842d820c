//! Two samples against scipy, statsmodels and exact counts (tests/data/two-sample, each file with
//! its source), analysis of variance against NIST's certified values (tests/data/nist-anova).

use proptest::prelude::*;
use settlepoint_stats::random::Random;
use settlepoint_stats::two_sample::{
    Repeats, SampleError, StudentEstimate, bonferroni, delta_ratio, equivalence_power,
    fieller_interval, geometric_ratio, hodges_lehmann, holm, least_signed_p, least_two_sided_p,
    mann_whitney, noncentral_t_cdf, one_way, paired, paired_ratio, permutation_mean,
    repeats_for_difference, repeats_for_equivalence, signed_rank, two_sample_power, weighted_sum,
    welch,
};

fn table(text: &str) -> toml::Table {
    text.parse().expect("valid TOML")
}

fn cases(text: &str, key: &str) -> Vec<toml::Value> {
    table(text)[key].as_array().expect("an array").clone()
}

fn numbers(value: &toml::Value) -> Vec<f64> {
    let values = value.as_array().expect("an array");
    values.iter().map(number).collect()
}

fn number(value: &toml::Value) -> f64 {
    value.as_float().expect("a float")
}

fn close(got: f64, want: f64, tolerance: f64, what: &str) {
    let error = ((got - want) / want).abs();
    assert!(
        error <= tolerance,
        "{what}: {got:e} instead of {want:e}, error {error:e}"
    );
}

fn close_pair(got: (f64, f64), want: &toml::Value, tolerance: f64, what: &str) {
    let want = numbers(want);
    close(got.0, want[0], tolerance, what);
    close(got.1, want[1], tolerance, what);
}

/// The files give 12 digits of statistics, 10 of p-values.
const STATISTIC: f64 = 1e-9;
const P_VALUE: f64 = 1e-7;

#[test]
fn welch_as_scipy_and_statsmodels() {
    for case in cases(include_str!("data/two-sample/welch.toml"), "case") {
        let name = case["name"].as_str().expect("a name");
        let e = welch(&numbers(&case["a"]), &numbers(&case["b"])).expect("two samples");
        close(e.value, number(&case["difference"]), STATISTIC, name);
        close(
            e.standard_error,
            number(&case["standard_error"]),
            STATISTIC,
            name,
        );
        close(e.dof, number(&case["df"]), STATISTIC, name);
        close(e.t(0.0), number(&case["t"]), STATISTIC, name);
        close(
            e.p_two_sided(0.0),
            number(&case["p_two_sided"]),
            P_VALUE,
            name,
        );
        close(e.p_greater(0.0), number(&case["p_greater"]), P_VALUE, name);
        let (low, high) = e.interval(0.95);
        close(low, number(&case["ci95_low"]), STATISTIC, name);
        close(high, number(&case["ci95_high"]), STATISTIC, name);
    }
}

#[test]
fn ratios_as_scipy() {
    for case in cases(include_str!("data/two-sample/ratio.toml"), "case") {
        let name = case["name"].as_str().expect("a name");
        let (a, b) = (numbers(&case["a"]), numbers(&case["b"]));
        let e = geometric_ratio(&a, &b).expect("positive samples");
        let (low, high) = e.interval(0.95);
        close(
            e.value.exp(),
            number(&case["geometric_ratio"]),
            STATISTIC,
            name,
        );
        close(e.t(0.0), number(&case["log_t"]), STATISTIC, name);
        close(e.dof, number(&case["log_df"]), STATISTIC, name);
        close_pair(
            (low.exp(), high.exp()),
            &case["geometric_ci95"],
            STATISTIC,
            name,
        );
        let delta = delta_ratio(&a, &b).expect("positive means");
        close(
            delta.ratio,
            number(&case["arithmetic_ratio"]),
            STATISTIC,
            name,
        );
        let ln = delta.ln_ratio;
        close(
            ln.standard_error,
            number(&case["delta_relative_se"]),
            STATISTIC,
            name,
        );
        close(ln.dof, number(&case["delta_df"]), STATISTIC, name);
        let (low, high) = ln.interval(0.95);
        close_pair(
            (low.exp(), high.exp()),
            &case["delta_t_ci95"],
            STATISTIC,
            name,
        );
        let normal = StudentEstimate {
            dof: f64::INFINITY,
            ..ln
        };
        let (low, high) = normal.interval(0.95);
        close_pair(
            (low.exp(), high.exp()),
            &case["delta_normal_ci95"],
            STATISTIC,
            name,
        );
        let fieller = fieller_interval(&a, &b, 0.95).expect("far from zero");
        close_pair(fieller, &case["fieller_ci95"], STATISTIC, name);
    }
}

#[test]
fn equivalence_as_statsmodels() {
    let text = include_str!("data/two-sample/tost.toml");
    for case in cases(text, "case") {
        let name = case["name"].as_str().expect("a name");
        let e = welch(&numbers(&case["a"]), &numbers(&case["b"])).expect("two samples");
        let (low, high) = (number(&case["low"]), number(&case["high"]));
        close(e.t(low), number(&case["t_low"]), STATISTIC, name);
        close(e.t(high), number(&case["t_high"]), STATISTIC, name);
        let both = e.equivalence(low, high);
        close(both.p_low, number(&case["p_low"]), P_VALUE, name);
        close(both.p_high, number(&case["p_high"]), P_VALUE, name);
        close(both.p(), number(&case["p"]), P_VALUE, name);
        let inner = e.interval(0.9);
        close_pair(inner, &case["ci90"], STATISTIC, name);
        let equivalent = case["equivalent_at_5_percent"].as_bool().expect("a bool");
        assert_eq!(both.p() <= 0.05, equivalent, "{name}");
        assert_eq!(low < inner.0 && inner.1 < high, equivalent, "{name}");
    }
    let all = table(text);
    let pair = &all["paired"];
    let e = paired(&numbers(&pair["a"]), &numbers(&pair["b"])).expect("pairs");
    let both = e.equivalence(number(&pair["low"]), number(&pair["high"]));
    close(
        e.t(number(&pair["low"])),
        number(&pair["t_low"]),
        STATISTIC,
        "paired",
    );
    close(both.p_low, number(&pair["p_low"]), P_VALUE, "paired");
    close(both.p_high, number(&pair["p_high"]), P_VALUE, "paired");
    let ratio = &all["ratio"];
    let e = geometric_ratio(&numbers(&ratio["a"]), &numbers(&ratio["b"])).expect("positive");
    let both = e.equivalence(
        number(&ratio["ratio_low"]).ln(),
        number(&ratio["ratio_high"]).ln(),
    );
    close(both.p_low, number(&ratio["p_low"]), P_VALUE, "ratio");
    close(both.p_high, number(&ratio["p_high"]), P_VALUE, "ratio");
}

#[test]
fn adjusted_p_values_as_statsmodels() {
    for case in cases(include_str!("data/two-sample/holm.toml"), "case") {
        let p = numbers(&case["p"]);
        for (got, want) in [(holm(&p), "holm"), (bonferroni(&p), "bonferroni")] {
            for (got, want) in got.iter().zip(numbers(&case[want])) {
                // Printed exactly; products of doubles round in the last digit.
                assert!((got - want).abs() < 1e-12, "{p:?}: {got} instead of {want}");
            }
        }
    }
}

#[test]
fn ranks_as_scipy_and_full_enumeration() {
    for case in cases(include_str!("data/two-sample/mann-whitney.toml"), "case") {
        let name = case["name"].as_str().expect("a name");
        let (a, b) = (numbers(&case["a"]), numbers(&case["b"]));
        let test = mann_whitney(&a, &b).expect("two samples");
        assert!((test.u - number(&case["u_a"])).abs() < 1e-12, "{name}");
        assert_eq!(test.ties, case["ties"].as_bool().expect("a bool"), "{name}");
        let exact = test.p_exact.expect("few values");
        // Twelve digits are printed.
        close(exact, number(&case["p_permutation_two_sided"]), 1e-10, name);
        if let Some(p) = case.get("p_exact_two_sided") {
            close(exact, number(p), 1e-10, name);
            let greater = test.p_exact_greater.expect("few values");
            close(greater, number(&case["p_exact_greater"]), 1e-10, name);
        }
        close(
            test.p_asymptotic,
            number(&case["p_asymptotic_continuity"]),
            1e-8,
            name,
        );
        close(
            test.p_asymptotic_plain,
            number(&case["p_asymptotic_plain"]),
            1e-8,
            name,
        );
        let shift = hodges_lehmann(&a, &b, 0.95).expect("few values");
        // Differences of decimals, exact but for the last bit of the inputs.
        close(
            shift.shift,
            number(&case["hodges_lehmann_shift"]),
            1e-11,
            name,
        );
        if let Some(interval) = case.get("hl_ci95") {
            close_pair(shift.interval, interval, 1e-11, name);
            close(shift.coverage, number(&case["hl_ci_coverage"]), 1e-9, name);
        }
    }
}

/// scipy 1.17.1, `scipy.stats.wilcoxon(method="exact")`, where no sizes are tied; with ties all signs
/// were gone through by numpy and `rankdata`. Counts of signs are exact, so 1e-12 is rounding.
#[test]
fn signed_ranks_as_scipy() {
    let p = |differences: &[f64]| signed_rank(differences).expect("differences");
    let seven = [1.2, -0.3, 0.8, 2.1, 0.4, -0.1, 1.7];
    close(p(&seven), 0.078_125, 1e-12, "seven");
    let tied = [1.0, 1.0, -1.0, 2.0, 2.0, 3.0, -0.5, 0.5];
    close(p(&tied), 0.101_562_5, 1e-12, "tied");
    let with_zero: Vec<f64> = tied.iter().copied().chain([0.0]).collect();
    close(
        p(&with_zero),
        0.101_562_5,
        1e-12,
        "a difference of 0 says nothing",
    );
    let thirty = [
        2.4409, -2.1557, 0.8181, -0.1678, -0.0526, 0.1844, -1.62, 0.1681, -0.4652, 3.723, 0.6258,
        0.0474, 0.1187, -0.268, -0.6552, 0.0092, 0.8819, 0.1614, 1.3578, 0.2002, 0.4243, 1.9458,
        0.9451, -0.1052, 0.2172, 0.9405, 2.3351, 0.1304, 0.1564, 1.4023,
    ];
    close(p(&thirty), 0.015_460_003_167_390_823, 1e-12, "thirty");
    close(
        p(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]),
        least_signed_p(6),
        1e-12,
        "all one way",
    );
    close(p(&[0.0, 0.0]), 1.0, 1e-12, "none differs");
    assert!(signed_rank(&[]).is_err() && signed_rank(&[f64::NAN]).is_err());
}

/// Three against three: 2 of 20 splits are as far apart as can be.
#[test]
fn permutations_count_splits() {
    let p = permutation_mean(
        &[1.0, 2.0, 3.0],
        &[4.0, 5.0, 6.0],
        &mut Random::from_seed(1),
    );
    close(p.expect("two samples"), 0.1, 1e-12, "3 against 3");
    close(least_two_sided_p(3, 3), 0.1, 1e-12, "least");
    close(least_two_sided_p(4, 4), 2.0 / 70.0, 1e-12, "least");
    // 24 values: random splits. Its standard deviation at p = 0.5 is 0.0035 with 20 000 of them;
    // equal halves of one value have p = 1 in any split.
    let same = vec![1.0; 12];
    let p = permutation_mean(&same, &same, &mut Random::from_seed(1)).expect("samples");
    close(p, 1.0, 1e-12, "all equal");
}

#[test]
fn sample_sizes_as_statsmodels() {
    let text = include_str!("data/two-sample/power.toml");
    let cases_of = |key, repeats| {
        for case in cases(text, key) {
            let [effect, power, alpha] =
                ["effect_size", "power", "alpha"].map(|k| number(&case[k]));
            let n = repeats_for_difference(effect, power, alpha, repeats).expect("an effect");
            let printed = case.get("n_per_group").or(case.get("n")).expect("n");
            // statsmodels' root finder is good to 1e-5.
            close(n, number(printed), 1e-5, key);
            let needed = case["n_needed"].as_integer().expect("n");
            assert!((n.ceil() - needed as f64).abs() < 0.5);
            if let Some(at_needed) = case.get("power_at_n_needed") {
                let got = two_sample_power(effect, needed as f64, alpha, repeats);
                close(got, number(at_needed), 1e-7, key);
            }
        }
    };
    cases_of("two_sample", Repeats::EachSide);
    cases_of("one_sample", Repeats::Pairs);
}

/// D. B. Owen's central case: without an effect the noncentral t is Student's.
#[test]
fn noncentral_t_has_known_limits() {
    use settlepoint_stats::distributions::{StandardNormal, StudentT};
    for (t, dof) in [(1.5, 1.0), (-2.0, 3.0), (0.3, 12.5), (2.0, 400.0)] {
        let central = StudentT::new(dof).expect("positive").cdf(t);
        // Gauss and Legendre's rule; see the module.
        assert!(
            (noncentral_t_cdf(t, dof, 0.0) - central).abs() < 1e-9,
            "{t}, {dof}"
        );
    }
    // At t = 0 only the sign of the normal part counts.
    assert!((noncentral_t_cdf(0.0, 5.0, 1.3) - StandardNormal.cdf(-1.3)).abs() < 1e-9);
}

/// Simulated: the share of two one-sided tests that succeed is the power computed.
#[test]
fn equivalence_power_is_met() {
    let (n, effect, margin) = (5, 0.4, 2.0);
    let mut random = Random::from_seed(3);
    let trials = 4000;
    let found = (0..trials)
        .filter(|_| {
            let a: Vec<f64> = (0..n).map(|_| effect + random.normal()).collect();
            let b: Vec<f64> = (0..n).map(|_| random.normal()).collect();
            // Pooled degrees of freedom, as the power assumes.
            let e = StudentEstimate {
                dof: 8.0,
                ..welch(&a, &b).expect("samples")
            };
            e.equivalence(-margin, margin).p() <= 0.05
        })
        .count();
    let power = equivalence_power(effect, (-margin, margin), 5.0, 0.05, Repeats::EachSide);
    let share = found as f64 / f64::from(trials);
    // Four standard deviations of a share of 4000.
    let allowed = 4.0 * (power * (1.0 - power) / f64::from(trials)).sqrt();
    assert!((share - power).abs() < allowed, "{share} against {power}");
    let n = repeats_for_equivalence(0.4, (-2.0, 2.0), power, 0.05, Repeats::EachSide);
    close(n.expect("within"), 5.0, 1e-6, "and back");
}

const ANOVA: [&str; 11] = [
    include_str!("data/nist-anova/SiRstv.toml"),
    include_str!("data/nist-anova/AtmWtAg.toml"),
    include_str!("data/nist-anova/SmLs01.toml"),
    include_str!("data/nist-anova/SmLs02.toml"),
    include_str!("data/nist-anova/SmLs03.toml"),
    include_str!("data/nist-anova/SmLs04.toml"),
    include_str!("data/nist-anova/SmLs05.toml"),
    include_str!("data/nist-anova/SmLs06.toml"),
    include_str!("data/nist-anova/SmLs07.toml"),
    include_str!("data/nist-anova/SmLs08.toml"),
    include_str!("data/nist-anova/SmLs09.toml"),
];

fn treatment(value: &toml::Value) -> Vec<f64> {
    if let Some(y) = value.get("y") {
        return numbers(y);
    }
    let mut y = vec![number(&value["first"])];
    for _ in 0..value["repeat_count"].as_integer().expect("a count") {
        y.extend(numbers(&value["then_repeat"]));
    }
    y
}

/// Certified to 15 digits, but the decimals are no doubles: each value is off by up to half a unit
/// in its last place, which moves the mean squares by twice that over the scatter. With 13 constant
/// leading digits (`SmLs07` to 09) that is 1e-3; the arithmetic itself adds 1e-13.
#[test]
fn certified_analysis_of_variance() {
    for text in ANOVA {
        let set = table(text);
        let name = set["name"].as_str().expect("a name");
        let groups: Vec<Vec<f64>> = set["treatment"]
            .as_array()
            .expect("treatments")
            .iter()
            .map(treatment)
            .collect();
        let largest = groups.iter().flatten().fold(0.0_f64, |a, v| a.max(v.abs()));
        let half_unit = 0.5 * (largest.next_up() - largest);
        let scatter = number(&set["residual_standard_deviation"]);
        let tolerance = 2.0 * half_unit / scatter + 1e-13;
        let got = one_way(&groups).expect("groups");
        close(
            got.squares_between,
            number(&set["ss_between"]),
            tolerance,
            name,
        );
        close(
            got.squares_within,
            number(&set["ss_within"]),
            tolerance,
            name,
        );
        close(got.f, number(&set["f_statistic"]), 2.0 * tolerance, name);
        close(got.residual_standard_deviation(), scatter, tolerance, name);
        // Beyond F = 2000 with 18 000 degrees of freedom the tail underflows.
        assert!((0.0..1.0).contains(&got.p));
    }
}

/// Two groups: F is the square of Student's t with pooled variance (scipy, welch.toml).
#[test]
fn two_groups_are_a_t_test() {
    for case in cases(include_str!("data/two-sample/welch.toml"), "case") {
        let got = one_way(&[numbers(&case["a"]), numbers(&case["b"])]).expect("groups");
        close(
            got.f,
            number(&case["student_t_pooled"]).powi(2),
            STATISTIC,
            "F",
        );
        close(got.p, number(&case["student_p_pooled"]), P_VALUE, "p");
    }
}

#[test]
fn what_cannot_be_told_is_an_error() {
    let few = SampleError::TooFew {
        values: 1,
        needed: 2,
    };
    assert_eq!(welch(&[1.0], &[1.0, 2.0]), Err(few));
    assert_eq!(welch(&[1.0, 1.0], &[2.0, 2.0]), Err(SampleError::NoScatter));
    assert_eq!(
        paired(&[1.0, 2.0], &[0.0, 1.0]),
        Err(SampleError::NoScatter)
    );
    assert_eq!(
        geometric_ratio(&[1.0, 0.0], &[1.0, 2.0]),
        Err(SampleError::NotPositive { value: 0.0 })
    );
    assert_eq!(
        welch(&[1.0, f64::NAN], &[1.0, 2.0]),
        Err(SampleError::NotFinite)
    );
    assert_eq!(
        paired(&[1.0, 2.0], &[1.0]),
        Err(SampleError::UnequalLengths)
    );
    assert_eq!(
        fieller_interval(&[1.0, 2.0], &[0.1, 9.0], 0.95),
        Err(SampleError::DenominatorNearZero)
    );
    assert_eq!(
        weighted_sum(&[]),
        Err(SampleError::TooFew {
            values: 0,
            needed: 1
        })
    );
    assert!(repeats_for_difference(0.0, 0.8, 0.05, Repeats::EachSide).is_err());
    assert!(repeats_for_equivalence(2.0, (-1.0, 1.0), 0.8, 0.05, Repeats::Pairs).is_err());
}

fn sample(n: std::ops::Range<usize>) -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(1.0..1000.0_f64, n)
}

proptest! {
    /// Swapping the sides turns the sign; scaling both changes nothing.
    #[test]
    fn ratios_are_antisymmetric_and_scale_free(a in sample(2..8), b in sample(2..8), k in 0.1..10.0_f64) {
        let scaled = |v: &[f64]| v.iter().map(|x| k * x).collect::<Vec<_>>();
        if let (Ok(ab), Ok(ba)) = (geometric_ratio(&a, &b), geometric_ratio(&b, &a)) {
            prop_assert!((ab.value + ba.value).abs() < 1e-12);
            prop_assert!((ab.dof - ba.dof).abs() < 1e-9 * ab.dof);
            let other = geometric_ratio(&scaled(&a), &scaled(&b)).expect("as before");
            prop_assert!((other.value - ab.value).abs() < 1e-11);
        }
    }

    /// Pairs that move together say more than the same values taken as independent.
    #[test]
    fn a_common_drift_does_not_widen_pairs(drift in sample(4..9)) {
        let a: Vec<f64> = drift.iter().enumerate().map(|(i, d)| d * (1.02 + 1e-3 * (i % 2) as f64)).collect();
        let pairs = paired_ratio(&a, &drift).expect("pairs");
        prop_assert!(pairs.standard_error < 1e-3);
        prop_assert!(pairs.value > 0.019 && pairs.value < 0.022);
    }

    /// Adjusted values are never below the raw ones, keep their order and never pass Bonferroni's.
    #[test]
    fn holm_lies_between(p in prop::collection::vec(0.0..=1.0_f64, 1..12)) {
        let (holm, most) = (holm(&p), bonferroni(&p));
        for i in 0..p.len() {
            prop_assert!(p[i] <= holm[i] && holm[i] <= most[i] + 1e-15);
            for j in 0..p.len() {
                prop_assert!(p[i] > p[j] || holm[i] <= holm[j]);
            }
        }
    }

    /// The rank test does not see a monotone change of scale.
    #[test]
    fn ranks_ignore_scale(a in sample(2..9), b in sample(2..9)) {
        let logs = |v: &[f64]| v.iter().map(|x| x.ln()).collect::<Vec<_>>();
        let (one, two) = (mann_whitney(&a, &b).expect("ok"), mann_whitney(&logs(&a), &logs(&b)).expect("ok"));
        prop_assert!((one.u - two.u).abs() < 1e-12);
        prop_assert!((one.p_exact.expect("few") - two.p_exact.expect("few")).abs() < 1e-12);
    }
}
