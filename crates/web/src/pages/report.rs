//! The report as a file.

use axum::response::Response;
use settlepoint_report::html;
use settlepoint_views::report::{Wish, report};

use super::{choose, download, pick};
use crate::error::PageError;
use crate::field::Fields;
use crate::html::Reader;
use crate::state::State;

/// `/report.html`: with the bounds of the choice that the address names.
pub(crate) fn file(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let (bounds, _) = choose::constraints(reader.degrees, fields);
    let anonymous = fields.ticked("anonymous");
    let name = state.name().unwrap_or_default();
    let wish = Wish {
        pick: pick(fields),
        bounds,
        workload: fields.text("workload").map(str::to_owned),
        without: Vec::new(),
        anonymous,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        notebook: format!("{name}.settle"),
    };
    let made = state.apart(|book| Ok(report(book, &wish)?))?;
    let file = if anonymous {
        "report.html".to_owned()
    } else {
        format!("{name}-report.html")
    };
    Ok(download(
        &file,
        "text/html; charset=utf-8",
        html(&made).into_bytes(),
    ))
}
