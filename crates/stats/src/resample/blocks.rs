//! Bootstrap of a long correlated series in blocks, for its mean and its high quantiles.

use crate::random::Random;
use crate::series::SeriesError;

/// A series ready to be resampled in blocks of one length on a circle: D. N. Politis and J. P.
/// Romano, "A circular block-resampling procedure for stationary data" (1992).
///
/// A draw is never written out. Blocks are counted where they start; a running sum of the counts
/// says how often each value was drawn, and a high quantile needs only the values of the tail, which
/// are kept in falling order. The mean comes from running sums of the series.
#[derive(Debug, Clone)]
pub struct BlockBootstrap {
    len: usize,
    block_len: usize,
    /// Sum of the first i values about their mean, i = 0 to len + `block_len` around the circle.
    sums: Vec<f64>,
    mean: f64,
    /// Shares of values that lie above the quantiles, in falling order.
    shares: Vec<f64>,
    /// Values of the tail in falling order with their places.
    tail: Vec<(f64, u32)>,
}

/// Replicates of the mean and of each quantile.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct Replicates {
    /// Means.
    pub means: Vec<f64>,
    /// Quantiles: one list for each share asked for, in the order given.
    pub quantiles: Vec<Vec<f64>>,
}

impl Replicates {
    /// These and then those of `other`.
    #[must_use]
    pub fn joined(mut self, other: Self) -> Self {
        self.means.extend(other.means);
        if self.quantiles.is_empty() {
            self.quantiles = other.quantiles;
        } else {
            for (list, more) in self.quantiles.iter_mut().zip(other.quantiles) {
                list.extend(more);
            }
        }
        self
    }
}

/// Of the largest share asked for, how much more of the series is kept in order; a draw that needs
/// still more takes the smallest value kept.
const TAIL_SPARE: f64 = 2.0;
/// Values kept in order beyond that, for short series.
const TAIL_LEAST: usize = 64;

impl BlockBootstrap {
    /// From a series, a block length in samples, and the shares of values above each quantile
    /// (0.01 for the value exceeded by 1 %).
    ///
    /// # Errors
    ///
    /// [`SeriesError`] unless there are as many finite values as a block is long, at least two and
    /// fewer than 2^32, and the shares lie between 0 and 1.
    pub fn new(values: &[f64], block_len: usize, shares: &[f64]) -> Result<Self, SeriesError> {
        let block_len = block_len.max(1);
        if values.len() < block_len.max(2) {
            return Err(SeriesError::TooShort {
                values: values.len(),
                needed: block_len.max(2),
            });
        }
        if shares.iter().any(|s| !(*s > 0.0 && *s < 1.0)) || u32::try_from(values.len()).is_err() {
            return Err(SeriesError::Level);
        }
        let mean = crate::series::moments(values)?.mean;
        let mut sums = Vec::with_capacity(values.len() + block_len + 1);
        let mut sum = 0.0;
        sums.push(sum);
        for value in values.iter().chain(&values[..block_len]) {
            sum += value - mean;
            sums.push(sum);
        }
        Ok(Self {
            len: values.len(),
            block_len,
            sums,
            mean,
            shares: shares.to_vec(),
            tail: tail(values, shares),
        })
    }

    /// Length of a block.
    pub fn block_len(&self) -> usize {
        self.block_len
    }

    /// This many draws. The last block is cut so that a draw is as long as the series.
    pub fn replicates(&self, draws: usize, random: &mut Random) -> Replicates {
        let mut out = Replicates {
            means: Vec::with_capacity(draws),
            quantiles: vec![Vec::with_capacity(draws); self.shares.len()],
        };
        let mut room = Draw::new(self.len, self.block_len);
        for _ in 0..draws {
            room.clear();
            let mean = self.mean + self.scatter(&mut room, random) / self.len as f64;
            out.means.push(mean);
            if !self.shares.is_empty() {
                room.sum_up();
                self.read_quantiles(&room, &mut out.quantiles);
            }
        }
        out
    }

    /// Draws blocks and gives the sum of their values about the mean.
    fn scatter(&self, draw: &mut Draw, random: &mut Random) -> f64 {
        let (whole, rest) = (self.len / self.block_len, self.len % self.block_len);
        let mut sum = 0.0;
        for i in 0..=whole {
            let length = if i < whole { self.block_len } else { rest };
            if length > 0 {
                let start = random.index_below(self.len);
                sum += self.sums[start + length] - self.sums[start];
                draw.add(start, length);
            }
        }
        sum
    }

    /// The values at which the drawn tail first holds more than each share.
    fn read_quantiles(&self, draw: &Draw, quantiles: &mut [Vec<f64>]) {
        let mut order: Vec<usize> = (0..self.shares.len()).collect();
        order.sort_by(|&i, &j| self.shares[i].total_cmp(&self.shares[j]));
        let mut tail = self.tail.iter();
        let (mut above, mut value) = (0_u64, self.tail[0].0);
        for i in order {
            let wanted = self.shares[i] * self.len as f64;
            while (above as f64) <= wanted {
                let Some(&(next, place)) = tail.next() else {
                    break;
                };
                value = next;
                above += u64::from(draw.count(place));
            }
            quantiles[i].push(value);
        }
    }

    /// The quantiles of the series itself, in the order of the shares: the largest value that more
    /// than the share reaches or exceeds.
    pub fn quantiles(&self) -> Vec<f64> {
        self.shares
            .iter()
            .map(|share| {
                let place = whole(share * self.len as f64).min(self.tail.len() - 1);
                self.tail[place].0
            })
            .collect()
    }

    /// The mean of the series.
    pub fn mean(&self) -> f64 {
        self.mean
    }
}

/// The largest values, falling, with their places.
fn tail(values: &[f64], shares: &[f64]) -> Vec<(f64, u32)> {
    let largest = shares.iter().copied().fold(0.0, f64::max);
    let kept = whole(largest * TAIL_SPARE * values.len() as f64) + TAIL_LEAST;
    let kept = kept.min(values.len());
    let mut order: Vec<(f64, u32)> = values.iter().copied().zip(0..).collect();
    if kept < order.len() {
        order.select_nth_unstable_by(kept, |a, b| b.0.total_cmp(&a.0));
        order.truncate(kept);
    }
    order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    order
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share of the number of values"
)]
fn whole(x: f64) -> usize {
    x as usize
}

/// How often each value of the series was drawn.
struct Draw {
    /// While drawing: +1 where blocks start, -1 after their end; summed up: how often drawn.
    counts: Vec<i16>,
    len: usize,
}

impl Draw {
    fn new(len: usize, block_len: usize) -> Self {
        Self {
            counts: vec![0; len + block_len],
            len,
        }
    }

    fn clear(&mut self) {
        self.counts.fill(0);
    }

    fn add(&mut self, start: usize, length: usize) {
        self.counts[start] += 1;
        if let Some(end) = self.counts.get_mut(start + length) {
            *end -= 1;
        }
    }

    fn sum_up(&mut self) {
        let mut running = 0_i16;
        for count in &mut self.counts {
            running += *count;
            *count = running;
        }
        // What went beyond the end continues at the beginning.
        let (series, beyond) = self.counts.split_at_mut(self.len);
        for (count, more) in series.iter_mut().zip(beyond) {
            *count += *more;
        }
    }

    fn count(&self, place: u32) -> u32 {
        let count = self.counts[place as usize];
        u32::from(count.unsigned_abs())
    }
}
