//! Reports: the values of [`settlepoint_views::report`] as one HTML file that needs nothing else, or
//! as Markdown with its charts beside it.

mod html;
mod markdown;

pub use html::{css, html};
pub use markdown::{Markdown, markdown};
