//! What all pages have around their content, and the parts they share.

use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use settlepoint_domain::{Finding, Severity};
use settlepoint_draw::{BOLD_WOFF2, DARK, LIGHT, REGULAR_WOFF2, Table};

use crate::error::PageError;
use crate::field::Problem;
use crate::number::Degrees;
use crate::state::State;

/// The pages of the job, in its order: path and name.
const PLACES: [(&str, &str); 8] = [
    ("/", "Start"),
    ("/runs", "Runs"),
    ("/add", "Add"),
    ("/models", "Models"),
    ("/what-if", "What if"),
    ("/choose", "Choose"),
    ("/compare", "Compare"),
    ("/plan", "Plan"),
];

/// The style of all pages; colours are those of the charts.
pub(crate) fn style() -> String {
    format!(
        ":root{{{}}}@media(prefers-color-scheme:dark){{:root{{{}}}}}{}",
        LIGHT.css(),
        DARK.css(),
        include_str!("../assets/style.css")
    )
}

/// The one script.
pub(crate) const SCRIPT: &str = include_str!("../assets/page.js");

/// Files that pages name, with their type.
pub(crate) fn asset(name: &str) -> Option<(&'static str, Vec<u8>)> {
    Some(match name {
        "style.css" => ("text/css; charset=utf-8", style().into_bytes()),
        "page.js" => ("text/javascript; charset=utf-8", SCRIPT.as_bytes().to_vec()),
        "regular.woff2" => ("font/woff2", REGULAR_WOFF2.to_vec()),
        "bold.woff2" => ("font/woff2", BOLD_WOFF2.to_vec()),
        "icon.svg" => (
            "image/svg+xml",
            include_bytes!("../assets/icon.svg").to_vec(),
        ),
        _ => return None,
    })
}

/// Who asks, and how.
#[derive(Clone, Debug)]
pub(crate) struct Reader {
    pub(crate) degrees: Degrees,
    /// Path and query of the page, to come back to.
    pub(crate) here: String,
}

/// A page: its title and its content.
pub(crate) struct Page<'a> {
    pub(crate) state: &'a State,
    pub(crate) reader: &'a Reader,
    pub(crate) title: String,
    /// Path of the place that it belongs to.
    pub(crate) place: &'static str,
    pub(crate) body: Markup,
}

impl Page<'_> {
    pub(crate) fn answer(self) -> Response {
        self.with_status(StatusCode::OK)
    }

    pub(crate) fn with_status(self, status: StatusCode) -> Response {
        (status, Html(self.render().into_string())).into_response()
    }

    fn render(self) -> Markup {
        let name = self.state.name();
        let whole = match &name {
            Some(name) => format!("{} · {name} · settlepoint", self.title),
            None => format!("{} · settlepoint", self.title),
        };
        html! {
            (DOCTYPE)
            html lang="en" {
                (head(&whole))
                body {
                    a .skip href="#content" { "To the content" }
                    header .top {
                        p .whose {
                            span .mark { "settlepoint" }
                            @if let Some(name) = &name { " " span .notebook { (name) } }
                        }
                        nav aria-label="Pages" { ul {
                            @for (path, word) in PLACES {
                                @if name.is_some() || path == "/" {
                                    li { a href=(path) aria-current=[(path == self.place).then_some("page")] { (word) } }
                                }
                            }
                        } }
                        (degrees_form(self.state, self.reader))
                    }
                    main id="content" tabindex="-1" {
                        h1 { (self.title) }
                        (self.body)
                    }
                    footer {
                        p { "Limits above the maker's can damage parts or void the warranty, and a hot or unstable machine can lose data. Heat sinks burn. Never open a power supply or defeat a thermal protection. The makers' instructions, local codes and licensed practice come before anything said here." }
                        p { "Intervals are 90 % unless said otherwise. Nothing on these pages leaves this machine." }
                    }
                }
            }
        }
    }
}

fn head(title: &str) -> Markup {
    let version = version();
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            title { (title) }
            link rel="icon" type="image/svg+xml" href={ "/assets/icon.svg?" (version) };
            link rel="stylesheet" href={ "/assets/style.css?" (version) };
            script type="module" src={ "/assets/page.js?" (version) } {}
        }
    }
}

/// Changes with the files, so that browsers may keep them for good.
fn version() -> String {
    use std::hash::{DefaultHasher, Hash as _, Hasher as _};
    use std::sync::LazyLock;
    static VERSION: LazyLock<String> = LazyLock::new(|| {
        let mut hasher = DefaultHasher::new();
        (style(), SCRIPT, REGULAR_WOFF2.len()).hash(&mut hasher);
        format!("{:x}", hasher.finish())
    });
    VERSION.clone()
}

fn degrees_form(state: &State, reader: &Reader) -> Markup {
    let other = match reader.degrees {
        Degrees::Celsius => Degrees::Fahrenheit,
        Degrees::Fahrenheit => Degrees::Celsius,
    };
    html! {
        form .degrees method="post" action="/degrees" {
            (token(state))
            input type="hidden" name="back" value=(reader.here);
            button .quiet type="submit" name="unit" value=(other.suffix()) aria-label={ "Show temperatures in " (other.unit()) } {
                span { (reader.degrees.unit()) } " → " (other.unit())
            }
        }
    }
}

/// The hidden field that forms which change something carry.
pub(crate) fn token(state: &State) -> Markup {
    html! { input type="hidden" name="token" value=(state.token); }
}

/// A part of a page: its name in the margin, its content beside it.
#[expect(
    clippy::needless_pass_by_value,
    reason = "markup is made where it is shown"
)]
pub(crate) fn section(id: &str, name: &str, note: &str, body: Markup) -> Markup {
    html! {
        section aria-labelledby=(id) {
            div .margin {
                h2 id=(id) { (name) }
                @if !note.is_empty() { p { (note) } }
            }
            div .content { (body) }
        }
    }
}

/// A table whose columns of numbers are set right.
pub(crate) fn table(caption: &str, table: &Table) -> Markup {
    let numeric: Vec<bool> = (0..table.header.len())
        .map(|i| column_is_numeric(table, i))
        .collect();
    let class = |i: usize| numeric.get(i).copied().unwrap_or(false).then_some("n");
    html! {
        div .scroll tabindex="0" role="region" aria-label=(caption) {
            table {
                caption .unseen { (caption) }
                thead { tr { @for (i, name) in table.header.iter().enumerate() { th scope="col" class=[class(i)] { (name) } } } }
                tbody {
                    @for row in &table.rows {
                        tr { @for (i, cell) in row.iter().enumerate() {
                            @if i == 0 { th scope="row" class=[class(i)] { (cell) } }
                            @else { td class=[class(i)] { (cell) } }
                        } }
                    }
                }
            }
        }
    }
}

/// Numbers, intervals and dashes; names that begin with a figure are none.
fn column_is_numeric(table: &Table, column: usize) -> bool {
    let plain = |c: &str| {
        let rest = c.replace(" to ", "").replace(" dB", "");
        rest.chars()
            .all(|x| x.is_ascii_digit() || " .,+\u{2212}–-()/%\u{a0}".contains(x))
    };
    let cells = || table.rows.iter().filter_map(|row| row.get(column));
    cells().all(|c| plain(c)) && cells().any(|c| c.contains(|x: char| x.is_ascii_digit()))
}

/// Findings by severity; nothing where there are none.
pub(crate) fn findings(list: &[Finding]) -> Markup {
    let mut list: Vec<&Finding> = list.iter().collect();
    list.sort_by_key(|f| std::cmp::Reverse(f.severity));
    html! {
        @if list.is_empty() { p .aside { "Nothing found that stands in the way." } }
        @else {
            ul .findings {
                @for f in list {
                    li class=(f.severity.token()) {
                        p {
                            strong .severity { (severity_word(f.severity)) }
                            @if let Some(run) = &f.run { " " span .run { (run) } }
                            " " (sentence(&f.evidence))
                        }
                        p .remedy { (sentence(&f.remedy)) " " code { (f.rule) } }
                    }
                }
            }
        }
    }
}

fn severity_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "Note",
        Severity::Warning => "Warning",
        Severity::Error => "Error",
    }
}

/// With a capital and a full stop; a first word that is a name stays as it is.
pub(crate) fn sentence(text: &str) -> String {
    let text = text.trim().trim_end_matches('.');
    let first = text.split(' ').next().unwrap_or("");
    if first.contains(|c: char| c == '_' || c.is_uppercase()) {
        return format!("{text}.");
    }
    let mut rest = text.chars();
    match rest.next() {
        Some(letter) => format!("{}{}.", letter.to_uppercase(), rest.as_str()),
        None => String::new(),
    }
}

/// One line of a form.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Input<'a> {
    pub(crate) name: &'a str,
    pub(crate) label: &'a str,
    pub(crate) unit: &'a str,
    pub(crate) value: &'a str,
    /// Below the field.
    pub(crate) hint: &'a str,
    /// Lowest, highest and step of the slider that script adds; none without.
    pub(crate) slider: Option<(f64, f64, f64)>,
    pub(crate) required: bool,
    /// Text, not a number.
    pub(crate) words: bool,
}

impl Input<'_> {
    pub(crate) fn show(&self, problems: &[Problem]) -> Markup {
        let problem = problems.iter().find(|p| p.field == self.name);
        let (id, about) = (format!("f-{}", self.name), format!("a-{}", self.name));
        let slider = self
            .slider
            .map(|(lo, hi, step)| format!("{lo} {hi} {step}"));
        let described = problem.is_some() || !self.hint.is_empty();
        html! {
            div .field {
                label for=(id) {
                    (self.label)
                    @if !self.unit.is_empty() { " " span .unit { (self.unit) } }
                }
                input id=(id) name=(self.name) value=(self.value) autocomplete="off"
                    inputmode=[(!self.words).then_some("decimal")]
                    class=[(!self.words).then_some("n")]
                    required[self.required]
                    data-slider=[slider]
                    aria-invalid=[problem.map(|_| "true")]
                    aria-describedby=[described.then_some(&about)];
                @if described {
                    p .hint id=(about) {
                        @if let Some(p) = problem { strong .problem { (sentence(&p.message)) } " " }
                        (self.hint)
                    }
                }
            }
        }
    }
}

/// A choice among names.
pub(crate) fn select(
    name: &str,
    label: &str,
    options: &[(String, String)],
    chosen: &str,
) -> Markup {
    let id = format!("f-{name}");
    html! {
        div .field {
            label for=(id) { (label) }
            select id=(id) name=(name) {
                @for (value, words) in options {
                    option value=(value) selected[value == chosen] { (words) }
                }
            }
        }
    }
}

/// What was wrong with a form, above it.
pub(crate) fn problems(list: &[Problem]) -> Markup {
    html! {
        @if !list.is_empty() {
            div .problems role="alert" {
                p { "Not all of it could be read:" }
                ul { @for p in list { li { a href={ "#f-" (p.field) } { (sentence(&p.message)) } } } }
            }
        }
    }
}

/// Markup that was made by the charts' own writer.
pub(crate) fn drawn(svg: &str) -> Markup {
    PreEscaped(svg.to_owned())
}

/// A page that says why another cannot be had.
pub(crate) fn error_page(state: &State, error: &PageError) -> Response {
    let reader = Reader {
        degrees: Degrees::Celsius,
        here: "/".into(),
    };
    error_for(state, &reader, error)
}

pub(crate) fn error_for(state: &State, reader: &Reader, error: &PageError) -> Response {
    let refused = matches!(
        error.status,
        StatusCode::MISDIRECTED_REQUEST | StatusCode::FORBIDDEN | StatusCode::UNAUTHORIZED
    );
    if refused {
        // Whoever is refused learns nothing, not even the notebook's name.
        let text = format!("{}\n", error.message);
        return (error.status, text).into_response();
    }
    let body = html! {
        p { (error.message) }
        p { a href="/" { "To the first page" } }
    };
    let title = match error.status {
        StatusCode::NOT_FOUND => "Not here",
        StatusCode::INTERNAL_SERVER_ERROR => "That failed",
        _ => "Not yet",
    };
    Page {
        state,
        reader,
        title: title.to_owned(),
        place: "",
        body,
    }
    .with_status(error.status)
}
