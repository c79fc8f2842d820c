//! Tones that stand out of the noise around them, in the manner of ECMA-418-1 (formerly ECMA-74,
//! annex D): tone-to-noise ratio and prominence ratio, each with its criterion.
//!
//! Critical bands, neighbouring bands, proximity, criteria and the range of frequencies are the
//! standard's; its constants were confirmed in the source of mosqito 1.2.1, a library of
//! psychoacoustics, whose ratios the tests compare. How tones are found among the lines, and that tones
//! which are not proximate are both left out of each other's noise, are judgements.

use crate::hearing::tone_threshold_db;
use crate::level::db;
use crate::spectrum::Spectrum;

/// Frequencies that are judged, Hz.
pub const RANGE_HZ: (f64, f64) = (89.1, 11_200.0);

/// A tone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Frequency, Hz.
    pub hz: f64,
    /// Its level, dB.
    pub level_db: f64,
    /// Tone-to-noise ratio, dB.
    pub tone_to_noise_db: f64,
    /// From which ratio it counts as prominent, dB.
    pub tone_to_noise_criterion_db: f64,
    /// Prominence ratio, dB.
    pub prominence_db: f64,
    /// From which ratio it counts as prominent, dB.
    pub prominence_criterion_db: f64,
    /// Whether it can be heard at all by itself: above the threshold of ISO 226. `None` without
    /// calibration.
    pub audible: Option<bool>,
}

impl Tone {
    /// By how much the better of the two ratios passes its criterion, dB.
    pub fn excess_db(&self) -> f64 {
        (self.tone_to_noise_db - self.tone_to_noise_criterion_db)
            .max(self.prominence_db - self.prominence_criterion_db)
    }

    /// Whether either ratio reaches its criterion, and nothing speaks against it being heard.
    pub fn prominent(&self) -> bool {
        self.audible != Some(false) && self.excess_db() >= 0.0
    }
}

/// Width of the critical band around a frequency, Hz: Zwicker and Terhardt's formula as ECMA-418-1
/// has it.
pub fn critical_width_hz(hz: f64) -> f64 {
    25.0 + 75.0 * (1.0 + 1.4 * (hz / 1000.0).powi(2)).powf(0.69)
}

/// Edges of the critical band around a frequency, Hz: arithmetic about it up to 500 Hz, geometric
/// above.
pub fn critical_edges_hz(hz: f64) -> (f64, f64) {
    let width = critical_width_hz(hz);
    let lower = if hz <= 500.0 {
        hz - 0.5 * width
    } else {
        0.5 * ((width * width + 4.0 * hz * hz).sqrt() - width)
    };
    (lower, lower + width)
}

/// Outer edges of the critical bands below and above the one around a frequency, Hz: the standard's
/// polynomials for bands that touch it. The lower one begins no lower than 20 Hz.
fn neighbours_hz(hz: f64) -> (f64, f64) {
    let lower = if hz <= LOWER_BAND_WHOLE_HZ {
        20.0
    } else if hz <= 1600.0 {
        -149.5 + 1.001 * hz - 6.90e-5 * hz * hz
    } else {
        6.8 + 0.806 * hz - 8.20e-6 * hz * hz
    };
    let upper = if hz <= 1600.0 {
        149.5 + 1.035 * hz + 7.70e-5 * hz * hz
    } else {
        3.3 + 1.215 * hz + 2.16e-5 * hz * hz
    };
    (lower, upper)
}

/// Tones up to here have a lower band that is cut at 20 Hz and scaled up to 100 Hz, Hz.
const LOWER_BAND_WHOLE_HZ: f64 = 171.4;

/// Two tones closer than this are heard as one, Hz. From 1 kHz on it is half a critical band and more,
/// so that all tones of one are.
fn proximity_hz(hz: f64) -> f64 {
    21.0 * 10.0_f64.powf(1.2 * (hz / 212.0).log10().abs().powf(1.8))
}

/// Criterion for the tone-to-noise ratio, dB.
pub fn tone_to_noise_criterion_db(hz: f64) -> f64 {
    8.0 + 8.33 * (1000.0 / hz).log10().max(0.0)
}

/// Criterion for the prominence ratio, dB.
pub fn prominence_criterion_db(hz: f64) -> f64 {
    9.0 + 10.0 * (1000.0 / hz).log10().max(0.0)
}

/// A peak among the lines.
#[derive(Clone, Copy, Debug)]
struct Peak {
    centre: usize,
    /// First and last line that belong to it.
    first: usize,
    last: usize,
}

impl Peak {
    fn energy(self, spectrum: &Spectrum) -> f64 {
        spectrum.energies[self.first..=self.last].iter().sum()
    }
}

/// By how much a line must stand above the median around it to be looked at, dB.
const PEAK_OVER_MEDIAN_DB: f64 = 6.0;

/// Tones of a spectrum, in order of frequency. `calibrated` says whether levels are in dB re 20 µPa.
/// Listed are those that reach a tone-to-noise ratio of 0 dB; see [`Tone::prominent`]. Proximate tones
/// are listed as one, under the frequency of the strongest.
pub fn tones(spectrum: &Spectrum, calibrated: bool) -> Vec<Tone> {
    let peaks = peaks(spectrum);
    let energies: Vec<f64> = peaks.iter().map(|p| p.energy(spectrum)).collect();
    let mut order: Vec<usize> = (0..peaks.len()).collect();
    order.sort_by(|&a, &b| energies[b].total_cmp(&energies[a]));
    let mut taken = vec![false; peaks.len()];
    let mut tones = Vec::new();
    for i in order {
        if taken[i] {
            continue;
        }
        let hz = centroid(spectrum, peaks[i]) * spectrum.line_hz;
        let near_hz = proximity_hz(hz).min(0.5 * critical_width_hz(hz));
        let mut energy = 0.0;
        for (j, peak) in peaks.iter().enumerate() {
            let apart_hz = peak.centre.abs_diff(peaks[i].centre) as f64 * spectrum.line_hz;
            if !taken[j] && apart_hz <= near_hz {
                taken[j] = true;
                energy += energies[j];
            }
        }
        let tone = judge(spectrum, &peaks, hz, energy, calibrated);
        if tone.tone_to_noise_db >= 0.0 {
            tones.push(tone);
        }
    }
    tones.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    tones
}

/// Lines that stand out of the median of their critical band.
fn peaks(spectrum: &Spectrum) -> Vec<Peak> {
    let e = &spectrum.energies;
    let line = |hz: f64| ((hz / spectrum.line_hz).round() as usize).min(e.len().saturating_sub(3));
    let (first, last) = (line(RANGE_HZ.0).max(3), line(RANGE_HZ.1));
    let mut found: Vec<Peak> = Vec::new();
    let mut floor = Floor::default();
    for i in first..last {
        let is_top = e[i] > e[i - 1] && e[i] >= e[i + 1] && e[i] > e[i - 2] && e[i] > e[i + 2];
        if !is_top {
            continue;
        }
        let median = floor.at(spectrum, i);
        if e[i] >= crate::level::energy(PEAK_OVER_MEDIAN_DB) * median {
            add_peak(&mut found, e, flanks(spectrum, i, median));
        }
    }
    found
}

/// A top with its flanks, down to where they meet the noise: to 7.5 % of the critical band on either
/// side, since what is wider than 15 % of it is no tone.
fn flanks(spectrum: &Spectrum, centre: usize, median: f64) -> Peak {
    let e = &spectrum.energies;
    let width_hz = critical_width_hz(centre as f64 * spectrum.line_hz);
    let most = (0.075 * width_hz / spectrum.line_hz).max(2.0) as usize;
    let reach = |step: isize| {
        let mut at = centre;
        for _ in 0..most {
            let next = at.wrapping_add_signed(step);
            match e.get(next) {
                Some(&v) if v < e[at] && v > 2.0 * median => at = next,
                _ => break,
            }
        }
        at
    };
    Peak {
        centre,
        first: reach(-1).min(centre - 2),
        last: reach(1).max(centre + 2),
    }
}

/// Adds a peak; two tops whose flanks meet are one, named by the higher.
fn add_peak(found: &mut Vec<Peak>, e: &[f64], peak: Peak) {
    match found.last_mut() {
        Some(before) if before.last >= peak.first => {
            if e[peak.centre] > e[before.centre] {
                before.centre = peak.centre;
            }
            before.last = peak.last;
        }
        _ => found.push(peak),
    }
}

/// The median around a line, kept for a stretch of neighbours.
#[derive(Default)]
struct Floor {
    from: usize,
    to: usize,
    value: f64,
}

impl Floor {
    fn at(&mut self, spectrum: &Spectrum, i: usize) -> f64 {
        if !(self.from..self.to).contains(&i) {
            let hz = i as f64 * spectrum.line_hz;
            let half = (0.5 * critical_width_hz(hz) / spectrum.line_hz) as usize;
            let end = (i + half).min(spectrum.energies.len());
            let mut lines = spectrum.energies[i.saturating_sub(half).max(1)..end].to_vec();
            lines.sort_by(f64::total_cmp);
            (self.from, self.to) = (i, i + (half / 8).max(1));
            self.value = lines[lines.len() / 2];
        }
        self.value
    }
}

fn judge(spectrum: &Spectrum, peaks: &[Peak], hz: f64, energy: f64, calibrated: bool) -> Tone {
    let (lower, upper) = critical_edges_hz(hz);
    let noise = noise(spectrum, peaks, lower, upper);
    let (low_from, high_to) = neighbours_hz(hz);
    let middle = spectrum.band(lower, upper);
    let scale = if hz <= LOWER_BAND_WHOLE_HZ {
        100.0 / (lower - low_from).max(spectrum.line_hz)
    } else {
        1.0
    };
    let beside = 0.5 * (scale * spectrum.band(low_from, lower) + spectrum.band(upper, high_to));
    let level_db = db(energy);
    Tone {
        hz,
        level_db,
        tone_to_noise_db: level_db - db(noise),
        tone_to_noise_criterion_db: tone_to_noise_criterion_db(hz),
        prominence_db: db(middle) - db(beside.max(NOTHING)),
        prominence_criterion_db: prominence_criterion_db(hz),
        audible: calibrated.then(|| level_db >= tone_threshold_db(hz)),
    }
}

/// Energy taken where there is none at all, so that ratios stay finite.
const NOTHING: f64 = 1e-30;

/// Energy-weighted centre of a peak, lines.
fn centroid(spectrum: &Spectrum, peak: Peak) -> f64 {
    let lines = peak.centre - 2..=peak.centre + 2;
    let (mut sum, mut moment) = (0.0, 0.0);
    for i in lines {
        sum += spectrum.energies[i];
        moment += spectrum.energies[i] * i as f64;
    }
    moment / sum
}

/// Noise in a critical band without its tones, scaled to the whole band.
fn noise(spectrum: &Spectrum, peaks: &[Peak], lower: f64, upper: f64) -> f64 {
    let d = spectrum.line_hz;
    let (mut energy, mut width) = (spectrum.band(lower, upper), upper - lower);
    for p in peaks {
        let from = ((p.first as f64 - 0.5) * d).max(lower);
        let to = ((p.last as f64 + 0.5) * d).min(upper);
        if to > from {
            energy -= spectrum.band(from, to);
            width -= to - from;
        }
    }
    // Rounding must not make it negative.
    energy.max(NOTHING) * (upper - lower) / width.max(d)
}

/// What a tone may come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Origin {
    /// A multiple of the fan's turns a second: blade passing, if it is the number of blades.
    Turns {
        /// Which multiple.
        order: u32,
    },
    /// High and no multiple of anything known: coils, a supply, a display.
    Whine,
    /// Unknown.
    Unknown,
}

/// Where a tone may come from, for a fan at this speed with this many blades (if known). Multiples up
/// to three times the blade passing are looked for.
pub fn origin(hz: f64, fan_speed_rpm: Option<f64>, blades: Option<u32>, line_hz: f64) -> Origin {
    if let Some(rpm) = fan_speed_rpm.filter(|r| *r > 0.0) {
        let turns_hz = rpm / 60.0;
        let most = f64::from(3 * blades.unwrap_or(13));
        let order = (hz / turns_hz).round();
        // Half a percent: what a tachometer of two pulses a turn shows over a second.
        let near = (hz - order * turns_hz).abs() <= (0.005 * hz).max(line_hz);
        let fits = blades.is_none_or(|b| (order / f64::from(b)).fract() == 0.0 || order <= 2.0);
        // Without the number of blades, multiples lie too close to each other to mean anything above
        // the range of blade passing.
        if near && fits && order >= 1.0 && order <= most && turns_hz > 4.0 * line_hz {
            return Origin::Turns {
                order: order as u32,
            };
        }
    }
    if hz >= 2000.0 {
        Origin::Whine
    } else {
        Origin::Unknown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn critical_bands_are_those_of_the_standard() {
        // ECMA-418-1: 162.2 Hz wide at 1 kHz, edges 922.2 and 1084.4 Hz.
        let (lower, upper) = critical_edges_hz(1000.0);
        assert!((critical_width_hz(1000.0) - 162.2).abs() < 0.1);
        assert!((lower - 922.2).abs() < 0.1 && (upper - 1084.4).abs() < 0.1);
    }

    #[test]
    fn criteria_rise_below_1_khz() {
        assert!((tone_to_noise_criterion_db(4000.0) - 8.0).abs() < 1e-12);
        assert!((tone_to_noise_criterion_db(100.0) - 16.33).abs() < 1e-12);
        assert!((prominence_criterion_db(100.0) - 19.0).abs() < 1e-12);
    }

    /// Flat noise with a tone, lines of 1.5 Hz: all known in closed form.
    fn flat(noise_per_hz: f64, tone_hz: f64, tone: f64) -> Spectrum {
        let line_hz = 1.5;
        let mut energies = vec![noise_per_hz * line_hz; 12_000];
        let at = (tone_hz / line_hz).round() as usize;
        // Hann's main lobe: shares 1/6, 2/3, 1/6 of the energy.
        for (k, share) in [(at - 1, 1.0 / 6.0), (at, 2.0 / 3.0), (at + 1, 1.0 / 6.0)] {
            energies[k] += tone * share;
        }
        Spectrum {
            line_hz,
            energies,
            blocks: 100,
        }
    }

    #[test]
    fn ratios_of_a_tone_in_flat_noise_are_the_closed_form() {
        for (hz, tone) in [(1000.0, 0.01), (3000.0, 0.1), (300.0, 0.02)] {
            let noise_per_hz = 1e-5;
            let found = tones(&flat(noise_per_hz, hz, tone), false);
            assert_eq!(found.len(), 1);
            let got = found[0];
            let in_band = noise_per_hz * critical_width_hz(got.hz);
            let expected_db = db((tone + noise_per_hz * 7.5) / in_band);
            // The tone's band holds five lines of noise; 0.05 dB covers half a line at its ends.
            assert!(
                (got.tone_to_noise_db - expected_db).abs() < 0.05,
                "{got:?} {expected_db}"
            );
            let (lower, upper) = critical_edges_hz(got.hz);
            let (low_from, high_to) = neighbours_hz(got.hz);
            let beside = 0.5 * noise_per_hz * ((lower - low_from) + (high_to - upper));
            let expected_db = db((tone + in_band) / beside);
            assert!(
                (got.prominence_db - expected_db).abs() < 0.05,
                "{got:?} {expected_db}"
            );
            assert!((got.hz - hz).abs() < 1.0);
        }
    }

    /// Tones in Hz and dB, their tone-to-noise ratio, their prominence ratio.
    type Case = (&'static [(f64, f64)], f64, f64);

    /// Tones of one line in noise of 10 dB per Hz, lines of 1 Hz, through the tone-to-noise and
    /// prominence ratios of mosqito 1.2.1 (modules of the same names). At 120 Hz its lower band is empty,
    /// since it cuts the spectrum off at 89.1 Hz first; no prominence ratio is taken from it there.
    const MOSQITO: [Case; 7] = [
        (&[(1000.0, 50.0)], 17.899_478, 18.069_499),
        (&[(3000.0, 55.0)], 18.195_386, 18.019_496),
        (&[(400.0, 45.0)], 14.539_370, 14.658_975),
        (&[(250.0, 48.0)], 17.810_817, 17.797_505),
        (&[(120.0, 50.0)], 19.955_499, f64::NAN),
        (&[(6000.0, 50.0)], 9.349_691, 9.756_760),
        (&[(2000.0, 52.0), (2100.0, 50.0)], 19.342_421, 19.170_968),
    ];

    #[test]
    fn ratios_are_those_of_another_library() {
        for (parts, tone_to_noise_db, prominence_db) in MOSQITO {
            let mut spectrum = Spectrum {
                line_hz: 1.0,
                energies: vec![10.0; 16_000],
                blocks: 100,
            };
            for (hz, level_db) in parts {
                spectrum.energies[*hz as usize] += crate::level::energy(*level_db);
            }
            let found = tones(&spectrum, false);
            assert_eq!(found.len(), 1, "{found:?}");
            // Whole lines there, parts of lines here: 1 line of 100 (at 120 Hz) is 0.05 dB, and the
            // tone has 5 lines here, 1 to 3 there.
            let allowed = 0.1;
            assert!(
                (found[0].tone_to_noise_db - tone_to_noise_db).abs() < allowed,
                "{found:?}"
            );
            let apart_db = (found[0].prominence_db - prominence_db).abs();
            assert!(prominence_db.is_nan() || apart_db < allowed, "{found:?}");
        }
    }

    #[test]
    fn flat_noise_has_no_tone() {
        assert!(tones(&flat(1e-5, 1000.0, 0.0), false).is_empty());
    }

    #[test]
    fn tones_apart_do_not_hide_each_other_and_proximate_ones_are_one() {
        let pair = |hz: f64, other_hz: f64| {
            let mut both = flat(1e-5, hz, 0.01);
            for (e, more) in both
                .energies
                .iter_mut()
                .zip(flat(0.0, other_hz, 0.01).energies)
            {
                *e += more;
            }
            tones(&both, false)
        };
        let alone = tones(&flat(1e-5, 300.0, 0.01), false)[0];
        // 23 Hz is the limit at 300 Hz.
        let apart = pair(300.0, 339.0);
        assert_eq!(apart.len(), 2);
        assert!((apart[0].tone_to_noise_db - alone.tone_to_noise_db).abs() < 0.2);
        let one = pair(300.0, 315.0);
        assert_eq!(one.len(), 1);
        // Two alike are 3.01 dB more; the noise loses a few lines.
        assert!((one[0].tone_to_noise_db - alone.tone_to_noise_db - 3.01).abs() < 0.2);
    }

    #[test]
    fn origins() {
        assert_eq!(
            origin(175.0, Some(1500.0), Some(7), 1.5),
            Origin::Turns { order: 7 }
        );
        assert_eq!(origin(9000.0, Some(1500.0), Some(7), 1.5), Origin::Whine);
        assert_eq!(origin(137.0, Some(1500.0), Some(7), 1.5), Origin::Unknown);
    }
}
