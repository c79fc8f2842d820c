//! Charts with temperatures in the unit that the reader chose. Their values are in °C.

use settlepoint_draw::{Ranged, RunOverTime, TradeOff};

use crate::number::Degrees;

const CELSIUS: &str = "°C";

fn ranged(r: Ranged, degrees: Degrees) -> Ranged {
    Ranged {
        value: degrees.shown(r.value),
        lo: degrees.shown(r.lo),
        hi: degrees.shown(r.hi),
    }
}

/// Labels such as "limit 100 °C", with the number before the unit turned, too.
fn label(text: &str, degrees: Degrees) -> String {
    let Some((before, after)) = text.split_once(" °C") else {
        return text.to_owned();
    };
    let start = before.rfind(' ').map_or(0, |i| i + 1);
    let Ok(celsius) = before[start..].replace('\u{2212}', "-").parse::<f64>() else {
        return text.to_owned();
    };
    format!("{}{}{after}", &before[..start], degrees.text(celsius, 0))
}

/// A run over time.
pub(crate) fn run(mut chart: RunOverTime, degrees: Degrees) -> RunOverTime {
    if degrees == Degrees::Celsius {
        return chart;
    }
    for panel in chart.panels.iter_mut().filter(|p| p.unit == CELSIUS) {
        degrees.unit().clone_into(&mut panel.unit);
        for series in &mut panel.series {
            let turn = |v: &mut f64| *v = degrees.shown(*v);
            series.values.iter_mut().for_each(turn);
            if let Some((lo, hi)) = &mut series.band {
                lo.iter_mut().chain(hi.iter_mut()).for_each(turn);
            }
        }
        for limit in &mut panel.limits {
            limit.value = degrees.shown(limit.value);
            limit.label = label(&limit.label, degrees);
        }
    }
    chart.subtitle = label(&chart.subtitle, degrees);
    chart
}

/// A trade-off.
pub(crate) fn trade_off(mut chart: TradeOff, degrees: Degrees) -> TradeOff {
    if degrees == Degrees::Celsius {
        return chart;
    }
    for (place, axis) in chart.axes.iter_mut().enumerate() {
        if axis.unit != CELSIUS {
            continue;
        }
        degrees.unit().clone_into(&mut axis.unit);
        if let Some((value, text)) = &mut axis.bound {
            *value = degrees.shown(*value);
            *text = label(text, degrees);
        }
        for point in &mut chart.points {
            if let Some(cost) = point.costs.get_mut(place) {
                *cost = cost.map(|r| ranged(r, degrees));
            }
        }
    }
    chart.title = label(&chart.title, degrees);
    chart
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_turn_with_their_numbers() {
        let f = Degrees::Fahrenheit;
        assert_eq!(label("limit 100 °C", f), "limit 212 °F");
        assert_eq!(
            label("mixdown in a 35 °C room: x", f),
            "mixdown in a 95 °F room: x"
        );
        assert_eq!(label("PL1 65 W", f), "PL1 65 W");
    }
}
