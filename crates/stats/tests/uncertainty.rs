//! Examples H.1 and H.2 of the Guide to the Expression of Uncertainty in Measurement.

use settlepoint_stats::DMatrix;
use settlepoint_stats::distributions::StudentT;
use settlepoint_stats::series::moments;
use settlepoint_stats::uncertainty::{
    Input, PropagationError, combine, propagate, propagate_linear,
};

fn close(got: f64, want: f64, tolerance: f64, what: &str) {
    let error = (got - want).abs();
    assert!(
        error <= tolerance,
        "{what}: {got} instead of {want}, error {error:e}"
    );
}

/// JCGM 100:2008, H.1: length of the standard, comparison, expansion, temperature, difference
/// of expansion, difference of temperature; in nm, 1/C and C: estimate, uncertainty, freedom.
const GAUGE: [(f64, f64, f64); 6] = [
    (50_000_623.0, 25.0, 18.0),
    (215.0, 9.681_941_953_97, 25.447_250_777_4),
    (1.15e-5, 1.154_700_538_38e-6, f64::INFINITY),
    (-0.1, 0.406_201_920_232, f64::INFINITY),
    (0.0, 5.773_502_691_9e-7, 50.0),
    (0.0, 0.028_867_513_459_5, 2.0),
];

fn gauge_length_nm(x: &[f64], out: &mut [f64]) {
    out[0] = x[0] + x[1] - x[0] * (x[4] * x[3] + x[2] * x[5]);
}

/// Unrounded values by GTC 1.5.1 and scipy 1.17.1, given to 12 digits: 1e-9 relative. Beside them
/// the numbers printed in the guide, to half of their last digit.
#[test]
fn end_gauge_calibration() {
    let estimates: Vec<f64> = GAUGE.iter().map(|input| input.0).collect();
    let variances: Vec<f64> = GAUGE.iter().map(|input| input.1 * input.1).collect();
    let covariance = DMatrix::from_diagonal(&variances.into());
    let length = propagate(gauge_length_nm, &estimates, &covariance, 1).expect("propagated");
    close(length.estimates[0], 50_000_838.0, 1e-6, "length");
    // Differences of a number of 5e7 over steps that change it by half a unit: 1e-8 of it.
    close(length.standard_uncertainty(0), 31.663_879_111, 1e-6, "u");
    close(length.standard_uncertainty(0), 32.0, 0.5, "u as printed");

    let sensitivities = [
        1.0,
        1.0,
        0.0,
        0.0,
        50_000_623.0 * 0.1,
        -50_000_623.0 * 1.15e-5,
    ];
    let inputs: Vec<Input> = GAUGE
        .iter()
        .zip(sensitivities)
        .map(|(input, sensitivity)| Input {
            sensitivity,
            standard_uncertainty: input.1,
            dof: input.2,
        })
        .collect();
    let combined = combine(&inputs);
    close(combined.standard_uncertainty, 31.663_879_111, 3e-8, "u");
    close(combined.effective_dof, 16.751_855_737_6, 2e-8, "dof");
    close(combined.expanded(0.99), 91.937_581_163_6, 1e-7, "U99");
    // The guide truncates to 16 degrees of freedom.
    close(combined.effective_dof.floor(), 16.0, 0.0, "dof as printed");
    let factor = StudentT::new(16.0).expect("positive").coverage_factor(0.99);
    close(factor, 2.920_781_622_42, 3e-9, "factor");
    close(
        factor * combined.standard_uncertainty,
        92.483_276_202_1,
        1e-7,
        "U99 at 16",
    );
}

/// JCGM 100:2008, H.2: five simultaneous readings of voltage (V), current (A) and phase (rad).
const READINGS: [[f64; 5]; 3] = [
    [5.007, 4.994, 5.005, 4.990, 4.999],
    [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
    [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
];

/// Resistance, reactance and impedance in ohm.
fn impedance(x: &[f64], out: &mut [f64]) {
    out[0] = x[0] * x[2].cos() / x[1];
    out[1] = x[0] * x[2].sin() / x[1];
    out[2] = x[0] / x[1];
}

/// Means and the covariance of the means.
fn readings() -> (Vec<f64>, DMatrix<f64>) {
    let means: Vec<f64> = READINGS
        .iter()
        .map(|r| moments(r).expect("moments").mean)
        .collect();
    let covariance = DMatrix::from_fn(3, 3, |i, j| {
        let pairs = READINGS[i].iter().zip(&READINGS[j]);
        pairs
            .map(|(a, b)| (a - means[i]) * (b - means[j]))
            .sum::<f64>()
            / 20.0
    });
    (means, covariance)
}

/// Unrounded values by numpy 2.4.6 and GTC 1.5.1, 12 digits: 1e-9 relative.
#[test]
fn correlated_resistance_and_reactance() {
    let (means, covariance) = readings();
    let got = propagate(impedance, &means, &covariance, 3).expect("propagated");
    let values = [127.732_169_928, 219.846_511_913, 254.259_701_948];
    let uncertainties = [0.071_071_407_397, 0.295_581_677_359, 0.236_336_130_082];
    // As printed in table H.4; the guide prints 0.295 for the reactance, from rounded inputs.
    let printed = [0.071, 0.295, 0.236];
    for output in 0..3 {
        let (value, u) = (values[output], uncertainties[output]);
        close(got.estimates[output], value, 1e-9 * value, "value");
        close(got.standard_uncertainty(output), u, 1e-9 * u, "uncertainty");
        close(
            got.standard_uncertainty(output),
            printed[output],
            0.001,
            "printed",
        );
    }
    close(got.correlation(0, 1), -0.588_429_784_424, 1e-9, "R X");
    close(got.correlation(0, 2), -0.485_259_224_21, 1e-9, "R Z");
    close(got.correlation(1, 2), 0.992_511_648_949, 1e-9, "X Z");
}

/// The same without the correlations, which is wrong by a factor of 2.7 for the resistance.
#[test]
fn correlation_is_not_ignored() {
    let (means, covariance) = readings();
    let diagonal = DMatrix::from_diagonal(&covariance.diagonal());
    let got = propagate(impedance, &means, &diagonal, 3).expect("propagated");
    let want = [0.194_544_454_489, 0.200_909_305_928, 0.204_076_425_447];
    for (output, u) in want.into_iter().enumerate() {
        close(got.standard_uncertainty(output), u, 1e-9 * u, "uncertainty");
    }
}

#[test]
fn bad_input_is_refused_with_its_place() {
    let covariance = DMatrix::from_diagonal(&vec![1.0, -1.0].into());
    let error = propagate(|x, out| out[0] = x[0], &[1.0, 2.0], &covariance, 1).unwrap_err();
    assert_eq!(error, PropagationError::Input { input: 1 });
    let error = propagate(|x, out| out[0] = x[0], &[1.0], &covariance, 1).unwrap_err();
    assert_eq!(error, PropagationError::Shape);
    let one = DMatrix::identity(1, 1);
    let error = propagate(|x, out| out[0] = x[0].ln(), &[0.0], &one, 1).unwrap_err();
    assert_eq!(error, PropagationError::Output { output: 0 });
    assert_eq!(
        propagate_linear(&DMatrix::zeros(1, 2), &one).unwrap_err(),
        PropagationError::Shape
    );
}

#[test]
fn certain_inputs_have_infinite_degrees_of_freedom() {
    let input = Input {
        sensitivity: 2.0,
        standard_uncertainty: 0.5,
        dof: f64::INFINITY,
    };
    let combined = combine(&[input, input]);
    assert!(combined.effective_dof.is_infinite());
    // sqrt 2 times the normal factor.
    close(
        combined.expanded(0.95),
        2_f64.sqrt() * 1.959_963_984_540_054,
        1e-12,
        "expanded",
    );
}
