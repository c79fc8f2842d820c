//! The first page: which notebook.

use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use settlepoint_notebook::{Notebook, NotebookError};

use super::go_to;
use crate::error::PageError;
use crate::field::Fields;
use crate::html::{Page, Reader, section, sentence, token};
use crate::state::State;

pub(crate) fn show(state: &State, reader: &Reader, _: &Fields) -> Result<Response, PageError> {
    page(state, reader, None)
}

fn page(state: &State, reader: &Reader, wrong: Option<&PageError>) -> Result<Response, PageError> {
    let open = state.name();
    let body = html! {
        @if let Some(error) = wrong { div .problems role="alert" { p { (sentence(&error.message)) } } }
        @if open.is_some() { (in_hand(state)?) } @else { (what_for()) }
        (section("other", if open.is_some() { "Another notebook" } else { "Begin" }, "A notebook is one file with everything about one or more machines.", html! {
            (listed(state, open.as_deref()))
            (new_form(state))
            (example_form(state))
        }))
    };
    let title = if open.is_some() {
        "Where it stands"
    } else {
        "Start"
    };
    let status = wrong.map_or(StatusCode::OK, |e| e.status);
    Ok(Page {
        state,
        reader,
        title: title.into(),
        place: "/",
        body,
    }
    .with_status(status))
}

fn what_for() -> Markup {
    section(
        "what",
        "What for",
        "",
        html! {
            p .lead { "From about three runs, this predicts every other setting in any room, with honest intervals, and names the one to use." }
            p { "You need a few runs of your own work under different power limits: sensor logs, or averages noted by hand. One well below your usual limit, one near it and one above it are a good beginning." }
        },
    )
}

/// Where the open notebook stands, and what comes next.
fn in_hand(state: &State) -> Result<Markup, PageError> {
    let (runs, coolings, machines, scores) = state.with(|book| {
        let runs = book.runs()?;
        let scores = runs.iter().map(|r| r.scores.len()).sum::<usize>();
        Ok((runs, book.coolings()?.len(), book.machines()?, scores))
    })?;
    let used = runs.iter().filter(|r| r.excluded.is_none()).count();
    let names: Vec<&str> = machines.iter().map(|m| m.name.as_str()).collect();
    Ok(section(
        "stand",
        "This notebook",
        "",
        html! {
            @if runs.is_empty() {
                p .lead { "It is empty." }
                p { "Begin with " a href="/add" { "adding a run" } ": drop a sensor log, or type what you noted." }
            } @else {
                p .lead { (count(used, "run")) " of " (names.join(", ")) ", " (count(coolings, "cooling")) ", " (count(scores, "score")) "." }
                (next_step(used))
            }
        },
    ))
}

fn next_step(runs: usize) -> Markup {
    html! {
        @if runs < 3 {
            p { "Three runs at clearly different watts tell most. " a href="/add" { "Add another" } ", or see what is known already: " }
        }
        ul .next {
            li { a href="/runs" { "Runs" } ": what was measured, and whether it is fit to use" }
            li { a href="/models" { "Models" } ": what the runs say of cooling, package, limits, fans and sound" }
            li { a href="/what-if" { "What if" } ": any other setting, in any room" }
            li { a href="/choose" { "Choose" } ": the setting that keeps your bounds and loses least" }
        }
    }
}

pub(crate) fn count(n: usize, what: &str) -> String {
    if n == 1 {
        format!("1 {what}")
    } else {
        format!("{n} {what}s")
    }
}

fn listed(state: &State, open: Option<&str>) -> Markup {
    let names: Vec<String> = state
        .notebooks()
        .iter()
        .filter_map(|p| Some(p.file_stem()?.to_string_lossy().into_owned()))
        .filter(|name| Some(name.as_str()) != open)
        .collect();
    html! {
        @if !names.is_empty() {
            h3 { "Open one that is here" }
            form method="post" action="/open" {
                (token(state))
                ul .choices { @for name in &names {
                    li { button type="submit" name="notebook" value=(name) { (name) } }
                } }
            }
        }
    }
}

fn new_form(state: &State) -> Markup {
    html! {
        h3 { "Make a new one" }
        form .line method="post" action="/new" {
            (token(state))
            div .field {
                label for="f-name" { "Name" }
                input id="f-name" name="name" required maxlength="60" autocomplete="off" aria-describedby="a-name";
                p .hint id="a-name" { "Letters, figures, spaces and hyphens. The file is made in the folder where the server was started." }
            }
            button .main type="submit" { "Make it" }
        }
    }
}

fn example_form(state: &State) -> Markup {
    html! {
        h3 { "Or look at the example" }
        form method="post" action="/example" {
            (token(state))
            p { "An invented workstation of an attic recording studio: two logged runs, two typed by hand, and the question what to set in summer. It is made in the server's folder, with the files that it was filled from." }
            button type="submit" { "Open the example" }
        }
    }
}

/// Makes a notebook. What is sent is a name, never a path.
pub(crate) fn new(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    match make(state, fields.text("name").unwrap_or("")) {
        Ok(()) => Ok(go_to("/add")),
        Err(error) => page(state, reader, Some(&error)),
    }
}

fn make(state: &State, name: &str) -> Result<(), PageError> {
    if !is_plain(name) {
        return Err(PageError::asked(
            "a notebook's name has letters, figures, spaces and hyphens only, at most 60; give another",
        ));
    }
    let path = state.config.folder.join(format!("{name}.settle"));
    match Notebook::create(&path) {
        Ok(book) => drop(book),
        Err(NotebookError::Exists { .. }) => {
            return Err(PageError::new(
                StatusCode::CONFLICT,
                format!("there is a notebook '{name}' already; open it, or choose another name"),
            ));
        }
        Err(NotebookError::Io { .. }) => {
            return Err(PageError::new(
                StatusCode::CONFLICT,
                "the server's folder may not be written to; start the server in another one",
            ));
        }
        Err(other) => return Err(other.into()),
    }
    state.open(&path)
}

/// A name that is a file's name on every system and nothing else.
fn is_plain(name: &str) -> bool {
    let fine = |c: char| c.is_alphanumeric() || " -_".contains(c);
    !name.is_empty() && name.chars().count() <= 60 && name.chars().all(fine) && !is_device(name)
}

/// Names that mean devices on some systems, whatever their ending.
fn is_device(name: &str) -> bool {
    let upper = name.trim().to_ascii_uppercase();
    let numbered = |stem: &str| {
        upper
            .strip_prefix(stem)
            .is_some_and(|n| n.len() == 1 && n.chars().all(|c| c.is_ascii_digit()))
    };
    ["CON", "PRN", "AUX", "NUL"].contains(&upper.as_str()) || numbered("COM") || numbered("LPT")
}

/// Opens a notebook out of the server's own list.
pub(crate) fn open(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let wanted = fields.raw("notebook");
    let found = state.notebooks().into_iter().find(|p| {
        p.file_stem()
            .is_some_and(|stem| stem.to_string_lossy() == wanted)
    });
    let opened = match found {
        Some(path) => state.open(&path),
        None => Err(PageError::not_found(
            "that notebook is no longer here; choose another",
        )),
    };
    match opened {
        Ok(()) => Ok(go_to("/runs")),
        Err(error) => page(state, reader, Some(&error)),
    }
}

/// Makes the example, or opens it where it is there already.
pub(crate) fn example(state: &State, reader: &Reader, _: &Fields) -> Result<Response, PageError> {
    let opened = (state.config.example)(&state.config.folder)
        .map_err(|why| PageError::new(StatusCode::CONFLICT, why))
        .and_then(|path| state.open(&path));
    match opened {
        Ok(()) => Ok(go_to("/runs")),
        Err(error) => page(state, reader, Some(&error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_no_paths() {
        for bad in [
            "",
            "..",
            "../a",
            "a/b",
            "a\\b",
            "C:x",
            "a.settle",
            "nul",
            "COM1",
            "a\u{0}b",
            &"x".repeat(61),
        ] {
            assert!(!is_plain(bad), "{bad}");
        }
        for good in ["studio", "attic studio 2", "büro_1", "静音"] {
            assert!(is_plain(good), "{good}");
        }
    }
}
