//! Lists of names for messages.

use settlepoint_domain::Id;

/// Names with commas between; with the id where two are alike.
pub fn listed<'a>(things: impl Iterator<Item = (&'a str, Id)>) -> String {
    let things: Vec<(&str, Id)> = things.collect();
    let twins = |name: &str| things.iter().filter(|(n, _)| *n == name).count() > 1;
    let shown: Vec<String> = things
        .iter()
        .map(|(name, id)| {
            if twins(name) {
                format!("'{name}' {id}")
            } else {
                format!("'{name}'")
            }
        })
        .collect();
    shown.join(", ")
}
