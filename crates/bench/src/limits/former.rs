//! The firmware's own limits, kept on the disk while others are set.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::put;
use crate::discover::tree::number;
use crate::error::BenchError;
use crate::presence::Presence;
use crate::zones::Zone;

/// The limits as the firmware had set them.
#[derive(Clone, Debug, PartialEq)]
pub struct FormerLimits {
    /// Who changes them.
    who: Presence,
    /// Files and what they held, µW or µs: sustained limits before short-time ones.
    files: Vec<(PathBuf, f64)>,
}

impl FormerLimits {
    /// As the zones stand now.
    pub fn of(zones: &[Zone]) -> Self {
        let mut files = Vec::new();
        for zone in zones {
            for c in &zone.constraints {
                let n = c.number;
                let power = zone.folder.join(format!("constraint_{n}_power_limit_uw"));
                files.push((power, (1e6 * c.power_w).round()));
                if let Some(window_s) = c.window_s {
                    let window = zone.folder.join(format!("constraint_{n}_time_window_us"));
                    files.push((window, (1e6 * window_s).round()));
                }
            }
        }
        Self {
            who: Presence::here(),
            files,
        }
    }

    /// Whether the machine has not been started again since; firmware sets its limits itself at a
    /// start.
    pub fn is_of_this_start(&self) -> bool {
        self.who.same_start()
    }

    /// Writes them to a file; they are on the disk when this returns.
    ///
    /// # Errors
    /// [`BenchError::File`].
    pub fn keep(&self, path: &Path) -> Result<(), BenchError> {
        let files: Vec<Value> = self
            .files
            .iter()
            .map(|(path, micro)| json!({ "file": path.to_string_lossy(), "value": micro }))
            .collect();
        let text = json!({
            "about": "Power limits as the firmware had set them, to be put back.",
            "who": self.who.to_json(),
            "files": files,
        });
        let draft = path.with_extension("new");
        let write = || {
            let mut file = std::fs::File::create(&draft)?;
            file.write_all(format!("{text:#}\n").as_bytes())?;
            file.sync_all()?;
            std::fs::rename(&draft, path)?;
            // The name must be on the disk, too; not every system opens folders.
            if let Some(Ok(folder)) = path.parent().map(std::fs::File::open) {
                folder.sync_all()?;
            }
            Ok(())
        };
        write().map_err(|e| BenchError::file(path, "write", e))
    }

    /// Reads them from a file; `None` if there is none.
    ///
    /// # Errors
    /// [`BenchError::File`], [`BenchError::Invalid`].
    pub fn kept(path: &Path) -> Result<Option<Self>, BenchError> {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(BenchError::file(path, "read", e)),
        };
        let parsed = serde_json::from_str(&text)
            .ok()
            .and_then(|value: Value| Self::from_json(&value));
        match parsed {
            Some(former) => Ok(Some(former)),
            None => Err(BenchError::invalid(
                path.display().to_string(),
                "these former limits cannot be read; start the machine again, which sets the firmware's \
                 own, and then delete the file",
            )),
        }
    }

    fn from_json(value: &Value) -> Option<Self> {
        let entry = |entry: &Value| {
            let path = PathBuf::from(entry["file"].as_str()?);
            is_limit(&path).then_some(())?;
            Some((path, entry["value"].as_f64()?))
        };
        Some(Self {
            who: Presence::from_json(&value["who"])?,
            files: value["files"]
                .as_array()?
                .iter()
                .map(entry)
                .collect::<Option<_>>()?,
        })
    }

    /// Puts them back and reads them back. All are tried; gives what could not be, in words.
    pub fn put_back(&self) -> Vec<String> {
        let mut failed = Vec::new();
        // Short-time limits first: they are mostly the higher ones.
        for (path, micro) in self.files.iter().rev() {
            let is_back = || number(path).is_some_and(|now| (now - micro).abs() < 0.5);
            if is_back() {
                continue;
            }
            match put(path, *micro) {
                Ok(()) if is_back() => {}
                Ok(()) => failed.push(format!(
                    "{} does not take {micro:.0}, which it held before",
                    path.display()
                )),
                Err(e) => failed.push(format!("{}: {e}", path.display())),
            }
        }
        failed
    }
}

/// Whether a file is named like a limit of the power capping class
/// (Documentation/power/powercap/powercap.rst). Nothing else is ever written, whatever the list says.
fn is_limit(path: &Path) -> bool {
    let name = path.file_name().and_then(|name| name.to_str());
    let number_and_kind = name
        .and_then(|name| name.strip_prefix("constraint_"))
        .and_then(|rest| rest.split_once('_'));
    number_and_kind.is_some_and(|(number, kind)| {
        number.parse::<u32>().is_ok() && ["power_limit_uw", "time_window_us"].contains(&kind)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_that_names_other_files_is_not_followed() {
        let folder = tempfile::tempdir().expect("a folder");
        let other = folder.path().join("passwords");
        std::fs::write(&other, "kept").expect("a file");
        let kept = folder.path().join("limits.json");
        let former = |path: &Path| FormerLimits {
            who: Presence::here(),
            files: vec![(path.to_path_buf(), 125e6)],
        };
        former(&other).keep(&kept).expect("kept");
        assert!(FormerLimits::kept(&kept).is_err(), "not a limit's name");
        #[cfg(target_os = "linux")]
        {
            let link = folder.path().join("constraint_0_power_limit_uw");
            std::os::unix::fs::symlink(&other, &link).expect("a link");
            assert_eq!(former(&link).put_back().len(), 1);
        }
        assert_eq!(std::fs::read_to_string(&other).expect("a file"), "kept");
    }

    #[test]
    fn former_limits_outlast_the_program() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("constraint_0_power_limit_uw");
        std::fs::write(&file, "65000000\n").expect("a file");
        let kept = folder.path().join("limits.json");
        assert_eq!(FormerLimits::kept(&kept).expect("none"), None);
        let former = FormerLimits {
            who: Presence::here(),
            files: vec![(file.clone(), 125e6)],
        };
        former.keep(&kept).expect("kept");
        let again = FormerLimits::kept(&kept).expect("read").expect("there");
        assert_eq!(again, former);
        assert!(again.put_back().is_empty());
        assert_eq!(number(&file), Some(125e6));
        // A write that a kill cut in two leaves nothing in a rehearsal's file.
        std::fs::write(&file, "").expect("a file");
        assert!(again.put_back().is_empty());
        assert_eq!(number(&file), Some(125e6));
        std::fs::write(&kept, "{}").expect("a file");
        assert!(FormerLimits::kept(&kept).is_err());
        std::fs::remove_file(&file).expect("gone");
        assert_eq!(again.put_back().len(), 1, "what cannot be put back is said");
    }
}
