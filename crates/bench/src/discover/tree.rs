//! Small reads under a root directory.

use std::path::{Path, PathBuf};

/// A root directory and the files below it.
#[derive(Clone, Debug)]
pub struct Tree {
    root: PathBuf,
}

impl Tree {
    /// The tree under `root`.
    pub fn new(root: &Path) -> Self {
        Self {
            root: root.to_path_buf(),
        }
    }

    /// The root.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// A path below the root.
    pub fn path(&self, below: &str) -> PathBuf {
        self.root.join(below)
    }

    /// Entries of a folder, numbers in their names in order (`cpu2` before `cpu10`); empty if there
    /// is no such folder.
    pub(crate) fn entries(folder: &Path) -> Vec<PathBuf> {
        let Ok(list) = std::fs::read_dir(folder) else {
            return Vec::new();
        };
        let mut paths: Vec<PathBuf> = list.flatten().map(|entry| entry.path()).collect();
        paths.sort_by_cached_key(|path| natural(&name_of(path)));
        paths
    }
}

/// The last part of a path.
pub(crate) fn name_of(path: &Path) -> String {
    path.file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default()
}

/// What a small file holds, without the line's end; `None` if it cannot be read or is empty.
pub(crate) fn text(path: &Path) -> Option<String> {
    let bytes = std::fs::read(path).ok()?;
    let text = String::from_utf8_lossy(&bytes);
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

/// The number that a small file holds.
pub(crate) fn number(path: &Path) -> Option<f64> {
    text(path)?.parse().ok()
}

/// The number behind a prefix: `cpu` of `cpu12` is 12.
pub(crate) fn index_of(name: &str, prefix: &str) -> Option<usize> {
    name.strip_prefix(prefix)?.parse().ok()
}

/// CPU numbers as the kernel lists them: `0-3,8-11,14`.
pub(crate) fn cpu_list(text: &str) -> Vec<usize> {
    let mut cpus = Vec::new();
    for piece in text.trim().split(',').filter(|p| !p.is_empty()) {
        let ends = match piece.split_once('-') {
            Some((from, to)) => (from, to),
            None => (piece, piece),
        };
        if let (Ok(from), Ok(to)) = (ends.0.trim().parse::<usize>(), ends.1.trim().parse()) {
            cpus.extend(from..=to);
        }
    }
    cpus
}

/// Sorts digits as numbers.
fn natural(name: &str) -> Vec<(String, u64)> {
    let mut parts = vec![(String::new(), 0_u64)];
    let mut in_digits = false;
    for c in name.chars() {
        if let Some(digit) = c.to_digit(10) {
            if let Some(last) = parts.last_mut() {
                last.1 = last.1.saturating_mul(10).saturating_add(u64::from(digit));
            }
            in_digits = true;
        } else {
            if in_digits {
                parts.push((String::new(), 0));
            }
            in_digits = false;
            if let Some(last) = parts.last_mut() {
                last.0.push(c);
            }
        }
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kernel_lists_of_cpus() {
        // The form that Documentation/ABI/stable/sysfs-devices-system-cpu gives for lists.
        assert_eq!(
            cpu_list("0-3,8-11,14,17\n"),
            [0, 1, 2, 3, 8, 9, 10, 11, 14, 17]
        );
        assert_eq!(cpu_list("0"), [0]);
        assert!(cpu_list("\n").is_empty());
    }

    #[test]
    fn numbers_sort_as_numbers() {
        let mut names = ["cpu10", "cpu2", "cpufreq", "cpu1"];
        names.sort_by_key(|name| natural(name));
        assert_eq!(names, ["cpu1", "cpu2", "cpu10", "cpufreq"]);
    }
}
