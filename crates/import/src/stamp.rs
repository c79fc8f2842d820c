//! Dates and times of day as people, programs and standards write them.

/// The order of day, month and year where all three are numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum DayOrder {
    /// Year, month, day (ISO 8601).
    YearFirst,
    /// Day, month, year.
    DayFirst,
    /// Month, day, year.
    MonthFirst,
}

impl DayOrder {
    /// A readable token.
    pub const fn token(self) -> &'static str {
        match self {
            Self::YearFirst => "year_first",
            Self::DayFirst => "day_first",
            Self::MonthFirst => "month_first",
        }
    }
}

impl std::str::FromStr for DayOrder {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text {
            "year_first" | "ymd" => Ok(Self::YearFirst),
            "day_first" | "dmy" => Ok(Self::DayFirst),
            "month_first" | "mdy" => Ok(Self::MonthFirst),
            _ => Err(format!(
                "'{text}' is no order; use day_first, month_first or year_first"
            )),
        }
    }
}

/// When something was, as one cell tells.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Moment {
    /// Seconds since 1970-01-01T00:00, in UTC where an offset was written; a date alone is its
    /// midnight.
    Dated(f64),
    /// Seconds since midnight.
    OfDay(f64),
}

/// Reads a cell as a date with or without a time, or as a time of day; `None` if it is neither, or a
/// date whose day and month cannot be told apart.
///
/// ```
/// use settlepoint_import::{Moment, moment};
///
/// assert_eq!(moment("2000-02-29 12:00"), Some(Moment::Dated(951_825_600.0)));
/// assert_eq!(moment("14:05:30"), Some(Moment::OfDay(50_730.0)));
/// assert_eq!(moment("03/04/2026 12:00"), None);
/// ```
pub fn moment(text: &str) -> Option<Moment> {
    let stamp = parse(text, DayOrder::DayFirst)?;
    // Dots between the parts of a date stand for day first.
    if stamp.order_matters && !text.contains('.') {
        return None;
    }
    let seconds = |ns: i64| ns as f64 / NS as f64;
    let time_ns = stamp.time_ns;
    match stamp.days {
        Some(_) => Stamp {
            time_ns: Some(time_ns.unwrap_or(0)),
            ..stamp
        }
        .unix_ns()
        .map(|ns| Moment::Dated(seconds(ns))),
        None => time_ns.map(|ns| Moment::OfDay(seconds(ns))),
    }
}

pub(crate) const NS: i64 = 1_000_000_000;
pub(crate) const DAY_NS: i64 = 86_400 * NS;

/// A date, a time, or both, as read from one cell.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Stamp<'a> {
    /// Days since 1970-01-01.
    pub(crate) days: Option<i64>,
    /// Whether the date could be read in more than one order.
    pub(crate) order_matters: bool,
    /// Nanoseconds since midnight (or since the start, where the hours pass 24).
    pub(crate) time_ns: Option<i64>,
    /// Numbers in the time: two (`12:34`) or three.
    pub(crate) time_parts: u8,
    /// Whether the last part had a fraction.
    pub(crate) fraction: bool,
    /// Half-day mark seen: false is before noon.
    pub(crate) half_day: Option<bool>,
    /// Offset from UTC, s, where written or known from the zone's name.
    pub(crate) offset_s: Option<i64>,
    /// The zone as written.
    pub(crate) zone: Option<&'a str>,
}

impl Stamp<'_> {
    /// Nanoseconds since 1970-01-01T00:00, in UTC where the offset is known.
    pub(crate) fn unix_ns(&self) -> Option<i64> {
        let days = self.days?;
        let ns = days.checked_mul(DAY_NS)?.checked_add(self.time_ns?)?;
        ns.checked_sub(self.offset_s.unwrap_or(0) * NS)
    }
}

/// Days since 1970-01-01 in the Gregorian calendar, or `None` if there is no such day.
///
/// Howard Hinnant, "chrono-compatible low-level date algorithms", `days_from_civil`.
pub(crate) fn days_from_civil(year: i64, month: i64, day: i64) -> Option<i64> {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let longest = match month {
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        1..=12 => 31,
        _ => return None,
    };
    if !(1700..=2261).contains(&year) || !(1..=longest).contains(&day) {
        return None;
    }
    let y = if month <= 2 { year - 1 } else { year };
    let era = y.div_euclid(400);
    let yoe = y - era * 400;
    let doy = (153 * (month + if month > 2 { -3 } else { 9 }) + 2) / 5 + day - 1;
    let doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
    Some(era * 146_097 + doe - 719_468)
}

/// Month names by their first letters, lower case without accents, in English, German, French,
/// Spanish, Portuguese, Italian and Russian.
const MONTHS: [(&str, i64); 51] = [
    ("jan", 1),
    ("janv", 1),
    ("ene", 1),
    ("gen", 1),
    ("янв", 1),
    ("feb", 2),
    ("fev", 2),
    ("fév", 2),
    ("фев", 2),
    ("mar", 3),
    ("mär", 3),
    ("mrz", 3),
    ("маp", 3),
    ("мар", 3),
    ("apr", 4),
    ("avr", 4),
    ("abr", 4),
    ("апр", 4),
    ("may", 5),
    ("mai", 5),
    ("mag", 5),
    ("май", 5),
    ("мая", 5),
    ("jun", 6),
    ("juin", 6),
    ("giu", 6),
    ("июн", 6),
    ("jul", 7),
    ("juil", 7),
    ("lug", 7),
    ("июл", 7),
    ("aug", 8),
    ("aou", 8),
    ("aoû", 8),
    ("ago", 8),
    ("авг", 8),
    ("sep", 9),
    ("set", 9),
    ("сен", 9),
    ("oct", 10),
    ("okt", 10),
    ("out", 10),
    ("ott", 10),
    ("окт", 10),
    ("nov", 11),
    ("ноя", 11),
    ("dec", 12),
    ("dez", 12),
    ("dic", 12),
    ("déc", 12),
    ("дек", 12),
];

/// First letters of weekday names in the same languages; they carry nothing.
const WEEKDAYS: [&str; 42] = [
    "mon", "tue", "wed", "thu", "fri", "sat", "sun", "mo", "di", "mi", "do", "fr", "sa", "so",
    "lun", "mar", "mer", "jeu", "ven", "sam", "dim", "mie", "mié", "jue", "vie", "sab", "sáb",
    "dom", "seg", "ter", "qua", "qui", "sex", "gio", "пн", "вт", "ср", "чт", "пт", "сб", "вс",
    "don",
];

const FILLERS: [&str; 9] = ["of", "de", "um", "at", "uhr", "le", "den", "del", "г"];

/// Zone abbreviations and their offsets from UTC in minutes. Names that mean several offsets
/// take the most common one; only changes within a file matter for elapsed time.
const ZONES: [(&str, i64); 36] = [
    ("UTC", 0),
    ("GMT", 0),
    ("Z", 0),
    ("UT", 0),
    ("WET", 0),
    ("WEST", 60),
    ("BST", 60),
    ("CET", 60),
    ("CEST", 120),
    ("MEZ", 60),
    ("MESZ", 120),
    ("EET", 120),
    ("EEST", 180),
    ("MSK", 180),
    ("EST", -300),
    ("EDT", -240),
    ("CST", -360),
    ("CDT", -300),
    ("MST", -420),
    ("MDT", -360),
    ("PST", -480),
    ("PDT", -420),
    ("AKST", -540),
    ("AKDT", -480),
    ("HST", -600),
    ("BRT", -180),
    ("ART", -180),
    ("SAST", 120),
    ("JST", 540),
    ("KST", 540),
    ("AWST", 480),
    ("ACST", 570),
    ("AEST", 600),
    ("AEDT", 660),
    ("NZST", 720),
    ("NZDT", 780),
];

#[derive(Clone, Copy, Debug, PartialEq)]
enum Token<'a> {
    Number { value: i64, digits: usize },
    Word(&'a str),
    Sign(u8),
    Blank,
}

/// Up to this many tokens make a stamp; longer text is none.
const MAX_TOKENS: usize = 28;

fn tokens<'a>(text: &'a str, out: &mut [Token<'a>; MAX_TOKENS]) -> Option<usize> {
    let bytes = text.as_bytes();
    let (mut pos, mut n) = (0, 0);
    while pos < bytes.len() {
        let start = pos;
        let byte = bytes[pos];
        let token = if byte.is_ascii_digit() {
            pos += bytes[pos..]
                .iter()
                .take_while(|b| b.is_ascii_digit())
                .count();
            let digits = pos - start;
            if digits > 18 {
                return None;
            }
            Token::Number {
                value: text[start..pos].parse().ok()?,
                digits,
            }
        } else if byte.is_ascii_alphabetic() || byte >= 0x80 {
            pos += bytes[pos..]
                .iter()
                .take_while(|b| b.is_ascii_alphabetic() || **b >= 0x80)
                .count();
            Token::Word(&text[start..pos])
        } else if byte == b' ' || byte == b'\t' {
            pos += bytes[pos..]
                .iter()
                .take_while(|b| **b == b' ' || **b == b'\t')
                .count();
            Token::Blank
        } else {
            pos += 1;
            Token::Sign(byte)
        };
        *out.get_mut(n)? = token;
        n += 1;
    }
    Some(n)
}

/// Reads a cell as a date, a time or both. `order` settles dates such as 03/04/2025.
pub(crate) fn parse(text: &str, order: DayOrder) -> Option<Stamp<'_>> {
    let text = text.trim();
    // The shortest is `1:02`, the longest a full stamp with names of day, month and zone.
    if text.len() < 4 || text.len() > 80 || !text.bytes().any(|b| b.is_ascii_digit()) {
        return None;
    }
    if text.starts_with('P') {
        return iso_duration(text);
    }
    let mut list = [Token::Blank; MAX_TOKENS];
    let n = tokens(text, &mut list)?;
    Reader {
        tokens: &list[..n],
        pos: 0,
        order,
        stamp: Stamp::default(),
        loose: Loose::default(),
    }
    .read()
}

/// Parts of a date that stand apart (`Oct 28 … 2020`).
#[derive(Clone, Copy, Debug, Default)]
struct Loose {
    month: Option<i64>,
    day: Option<i64>,
    year: Option<i64>,
}

struct Reader<'t, 'a> {
    tokens: &'t [Token<'a>],
    pos: usize,
    order: DayOrder,
    stamp: Stamp<'a>,
    loose: Loose,
}

impl<'a> Reader<'_, 'a> {
    fn at(&self, offset: usize) -> Option<Token<'a>> {
        self.tokens.get(self.pos + offset).copied()
    }

    fn read(mut self) -> Option<Stamp<'a>> {
        while let Some(token) = self.at(0) {
            match token {
                Token::Number { value, digits } => self.number(value, digits)?,
                Token::Word(word) => self.word(word)?,
                Token::Sign(sign @ (b'+' | b'-')) => self.offset(sign)?,
                Token::Sign(b'[') => self.bracket()?,
                Token::Sign(b',' | b'.') | Token::Blank => self.pos += 1,
                Token::Sign(_) => return None,
            }
        }
        self.finish()
    }

    fn number(&mut self, value: i64, digits: usize) -> Option<()> {
        if self.at(1) == Some(Token::Sign(b':')) && self.stamp.time_ns.is_none() {
            return self.clock(value);
        }
        if self.days_before_clock() {
            let blank = matches!(self.at(1), Some(Token::Word(_)));
            self.pos += if blank && self.at(2) == Some(Token::Blank) {
                3
            } else {
                2
            };
            let Some(Token::Number { value: hours, .. }) = self.at(0) else {
                return None;
            };
            self.clock(hours)?;
            self.stamp.time_ns = Some(self.stamp.time_ns? + value.checked_mul(DAY_NS)?);
            return Some(());
        }
        if let Some(Token::Sign(mark @ (b'-' | b'/' | b'.'))) = self.at(1)
            && self.stamp.days.is_none()
            && let Some(used) = self.triple(value, digits, mark)
        {
            self.pos += used;
            return Some(());
        }
        self.compact(value, digits)
    }

    /// `2.03:04:05` and `2d 03:04:05`.
    fn days_before_clock(&self) -> bool {
        let clock_at = |i| {
            matches!(self.at(i), Some(Token::Number { .. }))
                && self.at(i + 1) == Some(Token::Sign(b':'))
        };
        match self.at(1) {
            Some(Token::Sign(b'.')) => clock_at(2),
            Some(Token::Word("d" | "day" | "days" | "T")) => {
                self.stamp.days.is_none()
                    && self.at(1) != Some(Token::Word("T"))
                    && (clock_at(2) || self.at(2) == Some(Token::Blank) && clock_at(3))
            }
            _ => false,
        }
    }

    /// `h:mm`, `h:mm:ss`, either with a fraction.
    fn clock(&mut self, hours: i64) -> Option<()> {
        let Some(Token::Number {
            value: minutes,
            digits: 1..=2,
        }) = self.at(2)
        else {
            return None;
        };
        self.pos += 3;
        let mut seconds = None;
        if let (
            Some(Token::Sign(b':')),
            Some(Token::Number {
                value,
                digits: 1..=2,
            }),
        ) = (self.at(0), self.at(1))
        {
            seconds = Some(value);
            self.pos += 2;
        }
        if minutes > 59 && seconds.is_some() || seconds.is_some_and(|s| s > 60) || hours > 100_000 {
            return None;
        }
        let mut fraction_ns = 0;
        if let (Some(Token::Sign(b'.' | b',' | b':')), Some(Token::Number { value, digits })) =
            (self.at(0), self.at(1))
        {
            fraction_ns = scaled_to_ns(value, digits);
            self.stamp.fraction = true;
            self.pos += 2;
        } else if self.at(0) == Some(Token::Sign(b':')) {
            self.pos += 1;
        }
        let (parts, whole) = match seconds {
            Some(s) => (3, (hours * 60 + minutes) * 60 + s),
            // Two parts are hours and minutes, or minutes and seconds if there is a fraction.
            None if self.stamp.fraction => (2, hours * 60 + minutes),
            None => (2, (hours * 60 + minutes) * 60),
        };
        self.stamp.time_parts = parts;
        self.stamp.time_ns = Some(whole.checked_mul(NS)?.checked_add(fraction_ns)?);
        Some(())
    }

    /// Three parts of a date with the same mark between; returns the tokens used.
    fn triple(&mut self, first: i64, digits: usize, mark: u8) -> Option<usize> {
        let mark_at = |i| self.at(i) == Some(Token::Sign(mark));
        if let Some(Token::Word(word)) = self.at(2) {
            let month = month_number(word)?;
            let skip = usize::from(mark_at(3)) + usize::from(self.at(3) == Some(Token::Blank));
            let Some(Token::Number {
                value: last,
                digits: last_digits,
            }) = self.at(3 + skip)
            else {
                return None;
            };
            let (year, day) = if digits == 4 {
                (first, last)
            } else {
                (full_year(last, last_digits), first)
            };
            self.stamp.days = Some(days_from_civil(year, month, day)?);
            return Some(4 + skip);
        }
        let Some(Token::Number {
            value: second,
            digits: 1..=2,
        }) = self.at(2)
        else {
            return None;
        };
        let Some(Token::Number {
            value: third,
            digits: third_digits @ 1..=4,
        }) = self.at(4)
        else {
            return None;
        };
        if !mark_at(3) {
            return None;
        }
        self.date_of_numbers((first, digits), second, (third, third_digits))?;
        Some(5)
    }

    fn date_of_numbers(&mut self, a: (i64, usize), b: i64, c: (i64, usize)) -> Option<()> {
        if a.1 == 4 {
            self.stamp.days = Some(days_from_civil(a.0, b, c.0)?);
            return Some(());
        }
        let year_last = full_year(c.0, c.1);
        let in_order = |order| match order {
            DayOrder::YearFirst if c.1 <= 2 && a.1 == 2 => {
                days_from_civil(full_year(a.0, 2), b, c.0)
            }
            DayOrder::YearFirst => None,
            DayOrder::DayFirst => days_from_civil(year_last, b, a.0),
            DayOrder::MonthFirst => days_from_civil(year_last, a.0, b),
        };
        self.stamp.order_matters = true;
        self.stamp.days = Some(in_order(self.order)?);
        Some(())
    }

    /// `20250603`, `20250603130415`, `130415` behind a T, or a part of a loose date.
    fn compact(&mut self, value: i64, digits: usize) -> Option<()> {
        self.pos += 1;
        match digits {
            8 if self.stamp.days.is_none() => {
                self.stamp.days = Some(days_from_civil(
                    value / 10_000,
                    value / 100 % 100,
                    value % 100,
                )?);
            }
            14 if self.stamp.days.is_none() => {
                let (date, time) = (value / 1_000_000, value % 1_000_000);
                self.stamp.days = Some(days_from_civil(
                    date / 10_000,
                    date / 100 % 100,
                    date % 100,
                )?);
                self.compact_time(time, 6)?;
            }
            4 | 6 if self.stamp.days.is_some() && self.stamp.time_ns.is_none() => {
                self.compact_time(value, digits)?;
            }
            4 if self.loose.year.is_none() => self.loose.year = Some(value),
            1 | 2 if self.loose.day.is_none() => self.loose.day = Some(value),
            // Behind the time, two digits are the next reading sooner than a year.
            2 if self.loose.year.is_none() && self.stamp.time_ns.is_none() => {
                self.loose.year = Some(full_year(value, 2));
            }
            _ => return None,
        }
        Some(())
    }

    fn compact_time(&mut self, value: i64, digits: usize) -> Option<()> {
        let value = if digits == 4 { value * 100 } else { value };
        let (h, m, s) = (value / 10_000, value / 100 % 100, value % 100);
        if h > 24 || m > 59 || s > 60 {
            return None;
        }
        let mut ns = ((h * 60 + m) * 60 + s) * NS;
        if let (Some(Token::Sign(b'.' | b',')), Some(Token::Number { value, digits })) =
            (self.at(0), self.at(1))
        {
            ns += scaled_to_ns(value, digits);
            self.pos += 2;
        }
        self.stamp.time_ns = Some(ns);
        self.stamp.time_parts = 3;
        Some(())
    }

    fn word(&mut self, word: &'a str) -> Option<()> {
        self.pos += 1;
        match word {
            "T" | "t" if self.stamp.days.is_some() && self.stamp.time_ns.is_none() => {
                return Some(());
            }
            "AM" | "am" | "Am" | "PM" | "pm" | "Pm" => {
                self.stamp.half_day = Some(word.starts_with(['P', 'p']));
                return Some(());
            }
            "a" | "A" | "p" | "P" if self.at(0) == Some(Token::Sign(b'.')) => {
                let skip = if self.at(1) == Some(Token::Blank) {
                    2
                } else {
                    1
                };
                if matches!(self.at(skip), Some(Token::Word("m" | "M"))) {
                    self.pos += skip + 1;
                    self.stamp.half_day = Some(word.eq_ignore_ascii_case("p"));
                    return Some(());
                }
                return None;
            }
            _ => {}
        }
        let zone_like = word.len() <= 5 && word.bytes().all(|b| b.is_ascii_uppercase());
        if self.stamp.time_ns.is_some() && (zone_like || word == "z") {
            self.zone(word);
            return Some(());
        }
        if self.loose.month.is_none()
            && self.stamp.days.is_none()
            && let Some(month) = month_number(word)
        // "mar" is also Tuesday; a weekday is followed by something other than a number.
        {
            self.loose.month = Some(month);
            return Some(());
        }
        let lower = word.to_lowercase();
        let weekday = WEEKDAYS.iter().any(|day| {
            if day.chars().count() == 2 {
                lower == *day
            } else {
                lower.starts_with(day)
            }
        });
        (weekday || FILLERS.contains(&lower.as_str())).then_some(())
    }

    fn zone(&mut self, word: &'a str) {
        self.stamp.zone = Some(word);
        let known = ZONES
            .iter()
            .find(|(name, _)| word.eq_ignore_ascii_case(name));
        self.stamp.offset_s = known.map(|(_, minutes)| minutes * 60);
    }

    /// `+02:00`, `-0500`, `+2` behind a time.
    fn offset(&mut self, sign: u8) -> Option<()> {
        self.stamp.time_ns?;
        let Some(Token::Number { value, digits }) = self.at(1) else {
            return None;
        };
        self.pos += 2;
        let mut minutes = match digits {
            1 | 2 => value * 60,
            4 => value / 100 * 60 + value % 100,
            _ => return None,
        };
        if let (1 | 2, Some(Token::Sign(b':')), Some(Token::Number { value, digits: 2 })) =
            (digits, self.at(0), self.at(1))
        {
            minutes += value;
            self.pos += 2;
        }
        if minutes > 18 * 60 {
            return None;
        }
        let base = self.stamp.offset_s.unwrap_or(0);
        self.stamp.offset_s = Some(base + if sign == b'-' { -minutes } else { minutes } * 60);
        self.stamp.zone.get_or_insert("offset");
        Some(())
    }

    /// `[Europe/Berlin]` behind an offset (RFC 9557) carries nothing further.
    fn bracket(&mut self) -> Option<()> {
        let close = self.tokens[self.pos..]
            .iter()
            .position(|t| *t == Token::Sign(b']'))?;
        self.pos += close + 1;
        self.stamp.time_ns.map(|_| ())
    }

    fn finish(mut self) -> Option<Stamp<'a>> {
        // A comma at the end belongs to the file, not to the time.
        if self.tokens.last() == Some(&Token::Sign(b',')) {
            return None;
        }
        if let Some(month) = self.loose.month {
            if self.stamp.days.is_some() {
                return None;
            }
            self.stamp.days = Some(days_from_civil(self.loose.year?, month, self.loose.day?)?);
        } else if self.loose.day.is_some() || self.loose.year.is_some() {
            return None;
        }
        if let (Some(afternoon), Some(ns)) = (self.stamp.half_day, self.stamp.time_ns) {
            let hour = ns / (3600 * NS);
            if !(1..=12).contains(&hour) && hour != 0 {
                return (afternoon && hour < 24).then_some(self.stamp);
            }
            let shift = if afternoon { 12 } else { 0 } - if hour == 12 { 12 } else { 0 };
            self.stamp.time_ns = Some(ns + shift * 3600 * NS);
        }
        (self.stamp.days.is_some() || self.stamp.time_ns.is_some()).then_some(self.stamp)
    }
}

fn month_number(word: &str) -> Option<i64> {
    let lower = word.to_lowercase();
    MONTHS
        .iter()
        .filter(|(stem, _)| lower.starts_with(stem))
        .max_by_key(|m| m.0.len())
        .map(|m| m.1)
}

/// Two-digit years mean 1970 to 2069 (POSIX has 1969 to 2068; no log here is that old).
fn full_year(year: i64, digits: usize) -> i64 {
    match (digits, year) {
        (1 | 2, 70..) => 1900 + year,
        (1 | 2, _) => 2000 + year,
        _ => year,
    }
}

/// A decimal fraction of `digits` digits in nanoseconds, further digits cut.
fn scaled_to_ns(value: i64, digits: usize) -> i64 {
    let mut ns = value;
    for _ in digits..9 {
        ns *= 10;
    }
    for _ in 9..digits {
        ns /= 10;
    }
    ns
}

/// A time of day without marks: 130415, or 90415 where the first zero was lost.
pub(crate) fn digits_to_ns(text: &str) -> Option<i64> {
    if !(1..=6).contains(&text.len()) || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let value: i64 = text.parse().ok()?;
    let (h, m, s) = (value / 10_000, value / 100 % 100, value % 100);
    (h < 24 && m < 60 && s < 60).then_some(((h * 60 + m) * 60 + s) * NS)
}

/// Elapsed time as ISO 8601 writes it: `PT1H2M3.5S`, `P1DT2H`.
fn iso_duration(text: &str) -> Option<Stamp<'_>> {
    let rest = text.strip_prefix('P')?;
    let (days, clock) = rest.split_once('T').unwrap_or((rest, ""));
    let mut ns = 0_i64;
    for (part, units) in [
        (days, &[('D', 86_400)][..]),
        (clock, &[('H', 3600), ('M', 60), ('S', 1)][..]),
    ] {
        let mut part = part;
        for (letter, seconds) in units {
            if let Some((number, behind)) = part.split_once(*letter) {
                let (whole, fraction) = number.split_once(['.', ',']).unwrap_or((number, ""));
                let digits = &fraction[..fraction.len().min(9)];
                let tail: i64 = if digits.is_empty() {
                    0
                } else {
                    digits.parse().ok()?
                };
                ns += whole.parse::<i64>().ok()?.checked_mul(seconds * NS)?
                    + scaled_to_ns(tail, digits.len()) * seconds;
                part = behind;
            }
        }
        if !part.is_empty() {
            return None;
        }
    }
    Some(Stamp {
        time_ns: Some(ns),
        time_parts: 3,
        ..Stamp::default()
    })
}

/// Rewrites the marks of East Asian dates, half-day words and odd blanks to plain ones.
/// Borrowed where nothing needs to be changed.
pub(crate) fn plain_marks(text: &str) -> std::borrow::Cow<'_, str> {
    if text.is_ascii() {
        return text.into();
    }
    let mut out = text.to_owned();
    for (from, to) in [
        ("年", "-"),
        ("月", "-"),
        ("日", " "),
        ("년 ", "-"),
        ("월 ", "-"),
        ("일 ", " "),
        ("時", ":"),
        ("时", ":"),
        ("点", ":"),
        ("點", ":"),
        ("分", ":"),
        ("秒", ""),
        ("上午", " AM "),
        ("午前", " AM "),
        ("오전", " AM "),
        ("下午", " PM "),
        ("午後", " PM "),
        ("오후", " PM "),
        ("\u{a0}", " "),
        ("\u{202f}", " "),
        ("：", ":"),
        ("／", "/"),
        ("\u{2212}", "-"),
    ] {
        if out.contains(from) {
            out = out.replace(from, to);
        }
    }
    out.trim().trim_end_matches(':').to_owned().into()
}

/// Reads many stamps of one column, the ISO form (`2025-06-03 13:04:15.274`) without detour.
#[derive(Clone, Debug)]
pub(crate) struct StampReader {
    order: DayOrder,
    cached_date: [u8; 10],
    cached_days: i64,
}

impl StampReader {
    pub(crate) fn new(order: DayOrder) -> Self {
        Self {
            order,
            cached_date: [0; 10],
            cached_days: 0,
        }
    }

    pub(crate) fn order(&self) -> DayOrder {
        self.order
    }

    /// Nanoseconds since 1970-01-01T00:00.
    pub(crate) fn unix_ns(&mut self, cell: &[u8]) -> Option<i64> {
        if let Some(ns) = self.iso(cell) {
            return Some(ns);
        }
        let text = std::str::from_utf8(crate::number::trim(cell)).ok()?;
        parse(&plain_marks(text), self.order)?.unix_ns()
    }

    fn iso(&mut self, cell: &[u8]) -> Option<i64> {
        let date = cell.first_chunk::<10>()?;
        let clock = cell.get(11..19)?;
        if !matches!(cell[10], b' ' | b'T') {
            return None;
        }
        if *date != self.cached_date {
            self.cached_days = iso_date(date)?;
            self.cached_date = *date;
        }
        if clock[2] != b':' || clock[5] != b':' {
            return None;
        }
        let (h, m, s) = (two(clock, 0)?, two(clock, 3)?, two(clock, 6)?);
        if m > 59 || s > 60 || h > 24 {
            return None;
        }
        let mut ns = ((self.cached_days * 24 + h) * 60 + m) * 60 + s;
        ns = ns.checked_mul(NS)?;
        match cell.get(19..) {
            None | Some([] | [b'Z']) => Some(ns),
            Some([b'.' | b',', fraction @ ..]) => Some(ns + fraction_ns(fraction)?),
            Some(_) => None,
        }
    }
}

fn iso_date(date: &[u8; 10]) -> Option<i64> {
    if date[4] != date[7] || !matches!(date[4], b'-' | b'/') {
        return None;
    }
    let year = two(date, 0)? * 100 + two(date, 2)?;
    days_from_civil(year, two(date, 5)?, two(date, 8)?)
}

fn two(bytes: &[u8], at: usize) -> Option<i64> {
    let (a, b) = (
        bytes[at].wrapping_sub(b'0'),
        bytes[at + 1].wrapping_sub(b'0'),
    );
    (a < 10 && b < 10).then(|| i64::from(a) * 10 + i64::from(b))
}

fn fraction_ns(digits: &[u8]) -> Option<i64> {
    let digits = digits.strip_suffix(b"Z").unwrap_or(digits);
    if digits.is_empty() || digits.len() > 12 {
        return None;
    }
    let value = digits.iter().try_fold(0_i64, |sum, byte| {
        byte.is_ascii_digit()
            .then(|| sum * 10 + i64::from(byte - b'0'))
    })?;
    Some(scaled_to_ns(value, digits.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ns(text: &str, order: DayOrder) -> Option<i64> {
        let plain = plain_marks(text);
        parse(&plain, order)?.unix_ns()
    }

    /// 2020-10-28T05:59:09Z; `date -u -d @1603864749` prints it.
    const UTC_S: i64 = 1_603_864_749;

    #[test]
    fn one_moment_in_many_spellings() {
        use DayOrder::{DayFirst, MonthFirst, YearFirst};
        let all = [
            ("Wed Oct 28 06:59:09 AM CET 2020 ", DayFirst),
            ("2020-10-28T06:59:09+01:00", DayFirst),
            ("2020-10-28T06:59:09.000+01:00[Europe/Paris]", DayFirst),
            ("2020-10-28 05:59:09Z", MonthFirst),
            ("20201028T055909Z", YearFirst),
            ("20201028055909", YearFirst),
            ("2020/10/28 05:59:09", DayFirst),
            ("28.10.2020 05:59:09", DayFirst),
            ("28.10.20 05:59:09", DayFirst),
            ("10/28/2020 5:59:09 AM", MonthFirst),
            ("10/28/2020, 5:59:09 a.m.", MonthFirst),
            ("28-Oct-2020 05:59:09", MonthFirst),
            ("28. Oktober 2020 05:59:09", MonthFirst),
            ("Oct 28, 2020 05:59:09", MonthFirst),
            ("mercredi 28 octobre 2020 05:59:09", MonthFirst),
            ("28 окт 2020 05:59:09", MonthFirst),
            ("2020年10月28日 05时59分09秒", MonthFirst),
            ("2020年10月28日 上午5:59:09", MonthFirst),
            ("Wed, 28 Oct 2020 00:59:09 EST", MonthFirst),
            ("05:59:09 28/10/2020", DayFirst),
            ("20-10-28 05:59:09", YearFirst),
            ("2020-10-28 07:59:09 UTC+2", YearFirst),
        ];
        for (text, order) in all {
            assert_eq!(ns(text, order), Some(UTC_S * NS), "{text}");
        }
    }

    #[test]
    fn noon_and_midnight_in_the_half_day_clock() {
        let time = |text| {
            parse(text, DayOrder::DayFirst)
                .and_then(|s| s.time_ns)
                .map(|t| t / NS)
        };
        assert_eq!(time("12:00:01 AM"), Some(1));
        assert_eq!(time("12:00:01 PM"), Some(43_201));
        assert_eq!(time("11:59:59 p.m."), Some(86_399));
    }

    #[test]
    fn elapsed_forms() {
        let time = |text| parse(text, DayOrder::DayFirst).and_then(|s| s.time_ns);
        assert_eq!(time("1:02:03.5"), Some(3_723_500_000_000));
        assert_eq!(time("25:00:00"), Some(90_000 * NS));
        assert_eq!(time("1d 01:00:00"), Some(90_000 * NS));
        assert_eq!(time("1.01:00:00"), Some(90_000 * NS));
        assert_eq!(time("01:02.25"), Some(62_250_000_000));
        assert_eq!(time("PT1H2M3.5S"), Some(3_723_500_000_000));
        assert_eq!(time("P1DT1H"), Some(90_000 * NS));
        assert_eq!(time("12:34"), Some((12 * 60 + 34) * 60 * NS));
    }

    #[test]
    fn what_is_no_time_is_none() {
        for text in [
            "45.2",
            "1,234",
            "Average 12:00:00",
            "CPU 1:2:3",
            "31.02.2025",
            "2025",
            "a-b-c",
        ] {
            assert_eq!(parse(text, DayOrder::DayFirst), None, "{text}");
        }
    }

    #[test]
    fn the_short_way_agrees_with_the_general_one() {
        let mut reader = StampReader::new(DayOrder::DayFirst);
        for text in [
            "2014/02/22 10:24:03",
            "2025-06-03T13:04:15.274",
            "2025-06-03 13:04:15.158850Z",
        ] {
            assert_eq!(
                reader.iso(text.as_bytes()),
                ns(text, DayOrder::DayFirst),
                "{text}"
            );
        }
        assert_eq!(reader.unix_ns(b"2014-02-30 10:00:00"), None);
    }
}
