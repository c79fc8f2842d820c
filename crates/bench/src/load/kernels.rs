//! The work itself. A pass takes some milliseconds and knows its right result.

use super::LoadKind;

/// Right or wrong, a pass at a time.
pub(crate) trait Work: Send {
    /// Does one pass; false if its result is wrong.
    fn pass(&mut self) -> bool;

    /// Looks at what is kept between passes; false if it is wrong.
    fn check(&mut self) -> bool {
        true
    }
}

/// The work of a kind; `memory_bytes` is what it may use.
pub(crate) fn work(kind: LoadKind, memory_bytes: usize) -> Box<dyn Work> {
    match kind {
        LoadKind::Vector => Box::new(Rotations::new()),
        LoadKind::Memory => Box::new(Streams::new(memory_bytes)),
        LoadKind::Branch => Box::new(Boards),
        LoadKind::Mixed => Box::new(InTurn {
            works: [
                work(LoadKind::Vector, memory_bytes),
                work(LoadKind::Branch, memory_bytes),
                work(LoadKind::Memory, memory_bytes),
            ],
            next: 0,
        }),
        LoadKind::Rest => Box::new(Nothing),
    }
}

struct Nothing;

impl Work for Nothing {
    fn pass(&mut self) -> bool {
        std::thread::sleep(std::time::Duration::from_millis(20));
        true
    }
}

/// Points on circles, turned by a fixed angle again and again: two multiplications and an addition
/// for each number, independent of one another. Where they end is known in closed form, and the
/// same work must give the same bits each time.
pub(crate) struct Rotations {
    x: Vec<f64>,
    y: Vec<f64>,
    bits: Option<u64>,
}

/// 16 KiB each: both rows stay in the nearest cache.
const POINTS: usize = 1024;
const TURNS: usize = 2048;
const ANGLE: f64 = 0.01;
/// Each turn rounds a few times; errors add up no faster than their number.
const TURN_ERROR: f64 = 8.0 * f64::EPSILON * TURNS as f64;

impl Rotations {
    pub(crate) fn new() -> Self {
        Self {
            x: vec![0.0; POINTS],
            y: vec![0.0; POINTS],
            bits: None,
        }
    }

    fn start(point: usize) -> f64 {
        point as f64 / POINTS as f64
    }

    fn right_in_closed_form(&self) -> bool {
        let end = |point| Self::start(point) + ANGLE * TURNS as f64;
        self.x
            .iter()
            .zip(&self.y)
            .enumerate()
            .all(|(point, (x, y))| {
                (x - end(point).cos()).abs() < TURN_ERROR
                    && (y - end(point).sin()).abs() < TURN_ERROR
            })
    }
}

impl Work for Rotations {
    fn pass(&mut self) -> bool {
        for (point, (x, y)) in self.x.iter_mut().zip(&mut self.y).enumerate() {
            (*y, *x) = Self::start(point).sin_cos();
        }
        turn(&mut self.x, &mut self.y);
        let bits = self
            .x
            .iter()
            .chain(&self.y)
            .fold(0_u64, |all, v| all.rotate_left(7) ^ v.to_bits());
        if let Some(right) = self.bits {
            return bits == right;
        }
        self.bits = Some(bits);
        self.right_in_closed_form()
    }
}

/// Turns all points; written so that the compiler uses the widest registers it may.
fn turn(x: &mut [f64], y: &mut [f64]) {
    let (sin, cos) = ANGLE.sin_cos();
    for (x, y) in x.chunks_exact_mut(16).zip(y.chunks_exact_mut(16)) {
        for _ in 0..TURNS {
            for (x, y) in x.iter_mut().zip(y.iter_mut()) {
                let turned = *x * cos - *y * sin;
                *y = *x * sin + *y * cos;
                *x = turned;
            }
        }
    }
}

/// One added to every number of a long row, each pass: after p passes place i holds i + p.
struct Streams {
    row: Vec<u64>,
    passes: u64,
    /// Where the next pass goes on: a pass takes a part of a long row.
    next: usize,
}

/// Numbers a pass: 8 MiB.
const A_PASS: usize = 1 << 20;

impl Streams {
    fn new(memory_bytes: usize) -> Self {
        let parts = (memory_bytes / 8 / A_PASS).max(1);
        Self {
            row: (0..(parts * A_PASS) as u64).collect(),
            passes: 0,
            next: 0,
        }
    }
}

impl Work for Streams {
    fn pass(&mut self) -> bool {
        for number in &mut self.row[self.next..self.next + A_PASS] {
            *number += 1;
        }
        self.next += A_PASS;
        if self.next == self.row.len() {
            self.next = 0;
            self.passes += 1;
        }
        true
    }

    fn check(&mut self) -> bool {
        let (done, passes) = (self.next, self.passes);
        (0_u64..)
            .zip(&self.row)
            .all(|(i, number)| *number == i + passes + u64::from(i < done as u64))
    }
}

/// Counts the ways to put queens on a chess board so that none attacks another: jumps that depend
/// on what was found before.
struct Boards;

const BOARD: u32 = 10;
/// Number of solutions on a board of 10 (OEIS A000170).
const SOLUTIONS: u64 = 724;
const BOARDS_A_PASS: u32 = 4;

impl Work for Boards {
    fn pass(&mut self) -> bool {
        (0..BOARDS_A_PASS).all(|_| solutions(std::hint::black_box(BOARD)) == SOLUTIONS)
    }
}

/// Solutions on a board of this many rows.
fn solutions(rows: u32) -> u64 {
    fn below(all: u32, columns: u32, left: u32, right: u32) -> u64 {
        if columns == all {
            return 1;
        }
        let mut count = 0;
        let mut free = all & !(columns | left | right);
        while free != 0 {
            let place = free & free.wrapping_neg();
            free ^= place;
            count += below(
                all,
                columns | place,
                ((left | place) << 1) & all,
                (right | place) >> 1,
            );
        }
        count
    }
    below((1 << rows) - 1, 0, 0, 0)
}

struct InTurn {
    works: [Box<dyn Work>; 3],
    next: usize,
}

impl Work for InTurn {
    fn pass(&mut self) -> bool {
        let right = self.works[self.next].pass();
        self.next = (self.next + 1) % self.works.len();
        right
    }

    fn check(&mut self) -> bool {
        self.works.iter_mut().all(|work| work.check())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// OEIS A000170, the number of solutions for boards of 4 to 12.
    #[test]
    fn boards_have_the_published_number_of_solutions() {
        let published = [2, 10, 4, 40, 92, 352, 724, 2680, 14_200];
        for (rows, number) in (4..).zip(published) {
            assert_eq!(solutions(rows), number, "{rows}");
        }
    }

    #[test]
    fn right_work_is_right() {
        for kind in [
            LoadKind::Vector,
            LoadKind::Memory,
            LoadKind::Branch,
            LoadKind::Mixed,
        ] {
            let mut work = work(kind, 16 << 20);
            assert!((0..7).all(|_| work.pass()) && work.check(), "{kind:?}");
        }
    }

    #[test]
    fn one_wrong_bit_is_seen() {
        let mut rotations = Rotations::new();
        assert!(rotations.pass());
        rotations.bits = rotations.bits.map(|bits| bits ^ 1);
        assert!(!rotations.pass());
        rotations.x[17] += 1e-6;
        assert!(!rotations.right_in_closed_form());
        let mut streams = Streams::new(16 << 20);
        assert!(streams.pass() && streams.check());
        streams.row[12_345] ^= 1 << 40;
        assert!(!streams.check());
    }
}
