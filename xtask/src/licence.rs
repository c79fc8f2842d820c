//! Licence expressions: the SPDX specification, annex D, over a list of allowed licences.

/// Licences that may be linked with MIT OR Apache-2.0 code.
const ALLOWED: [&str; 11] = [
    "MIT",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "Zlib",
    "Unlicense",
    "Unicode-3.0",
    "0BSD",
    "ISC",
    "CC0-1.0",
    "BSL-1.0",
];
/// Exceptions that only widen what a licence allows.
const EXCEPTIONS: [&str; 1] = ["LLVM-exception"];

/// Whether an expression leaves a choice of allowed licences. `WITH` binds closest, then `AND`, then
/// `OR`; `/` is the registry's older spelling of `OR`.
///
/// # Errors
///
/// Text that is no such expression, with what was expected.
pub(crate) fn allowed(expression: &str) -> Result<bool, String> {
    let spaced = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let mut words = Words(spaced.split_whitespace().collect());
    let result = words.any().and_then(|ok| match words.next() {
        None => Ok(ok),
        Some(word) => Err(format!("'{word}' where the end was expected")),
    });
    result.map_err(|why| format!("cannot read the licence '{expression}': {why}"))
}

/// The words still to read.
struct Words<'a>(std::collections::VecDeque<&'a str>);

impl<'a> Words<'a> {
    fn next(&mut self) -> Option<&'a str> {
        self.0.pop_front()
    }

    fn skip(&mut self, word: &str) -> bool {
        let here = self.0.front() == Some(&word);
        if here {
            self.0.pop_front();
        }
        here
    }

    fn any(&mut self) -> Result<bool, String> {
        let mut ok = self.all()?;
        while self.skip("OR") {
            ok |= self.all()?;
        }
        Ok(ok)
    }

    fn all(&mut self) -> Result<bool, String> {
        let mut ok = self.one()?;
        while self.skip("AND") {
            ok &= self.one()?;
        }
        Ok(ok)
    }

    fn one(&mut self) -> Result<bool, String> {
        match self.next() {
            None => Err("a licence was expected at the end".to_owned()),
            Some("(") => {
                let ok = self.any()?;
                if self.skip(")") {
                    Ok(ok)
                } else {
                    Err("a closing bracket is missing".to_owned())
                }
            }
            Some(word @ (")" | "OR" | "AND" | "WITH")) => {
                Err(format!("'{word}' where a licence was expected"))
            }
            Some(licence) => self.exception(ALLOWED.contains(&licence)),
        }
    }

    fn exception(&mut self, ok: bool) -> Result<bool, String> {
        if !self.skip("WITH") {
            return Ok(ok);
        }
        let name = self.next().ok_or("an exception was expected at the end")?;
        Ok(ok && EXCEPTIONS.contains(&name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn choices_brackets_and_exceptions() {
        let cases = [
            ("MIT", true),
            ("GPL-3.0-only", false),
            ("MIT/Apache-2.0", true),
            ("MIT OR Apache-2.0 OR LGPL-2.1-or-later", true),
            ("Apache-2.0 WITH LLVM-exception OR MIT", true),
            ("Apache-2.0 WITH LLVM-exception", true),
            ("Apache-2.0 WITH Other-exception", false),
            ("(MIT OR Apache-2.0) AND Unicode-3.0", true),
            ("(MIT OR Apache-2.0) AND GPL-2.0-only", false),
            ("(MIT OR GPL-2.0-only) AND GPL-2.0-only", false),
            ("MIT AND GPL-2.0-only OR Zlib", true),
            ("Zlib OR MIT AND GPL-2.0-only", true),
            ("GPL-2.0-only OR MIT AND GPL-2.0-only", false),
        ];
        for (expression, expected) in cases {
            assert_eq!(allowed(expression), Ok(expected), "{expression}");
        }
    }

    #[test]
    fn what_is_no_expression_is_refused() {
        for expression in [
            "", "MIT OR", "(MIT", "MIT)", "MIT Zlib", "OR MIT", "MIT WITH",
        ] {
            assert!(allowed(expression).is_err(), "{expression}");
        }
    }
}
