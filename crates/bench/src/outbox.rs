//! Rows on their way from the sampling thread to the sink's.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::error::{BenchError, SinkError};
use crate::sink::{Header, Rows, Sink};

/// The oldest row waits at most this long for the disk, so that together with the write itself no
/// more than the last second is lost.
const FLUSH_AFTER: Duration = Duration::from_millis(890);
/// How long until a sink that said "later" is tried again.
const RETRY_AFTER: Duration = Duration::from_secs(1);
/// Readings kept in memory for a sink that says "later": 64 MiB.
const MOST_WAITING: usize = 8 << 20;
/// Tries after the last row before rows are given up.
const LAST_TRIES: u32 = 5;

#[derive(Debug, Default)]
struct Tray {
    rows: Vec<f64>,
    flush: bool,
    closed: bool,
    trouble: Option<String>,
    ended: Option<String>,
    begun: bool,
}

#[derive(Debug, Default)]
struct Shared {
    tray: Mutex<Tray>,
    call: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Tray> {
        self.tray.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The sampling thread's end.
#[derive(Debug)]
pub(crate) struct Outbox {
    shared: Arc<Shared>,
    writer: Option<JoinHandle<()>>,
    oldest: Option<Instant>,
}

impl Outbox {
    pub(crate) fn start(header: Header, sink: Box<dyn Sink>) -> Result<Self, BenchError> {
        let shared = Arc::new(Shared::default());
        let theirs = Arc::clone(&shared);
        let writer = std::thread::Builder::new()
            .name("samples".to_owned())
            .spawn(move || write(&theirs, &header, sink))
            .map_err(|error| BenchError::invalid("recorder", format!("no thread: {error}")))?;
        Ok(Self {
            shared,
            writer: Some(writer),
            oldest: None,
        })
    }

    /// Puts a row in; the writer is woken once a second.
    ///
    /// # Errors
    /// The sink has ended.
    pub(crate) fn put(&mut self, row: &[f64], period: Duration) -> Result<(), BenchError> {
        let oldest = *self.oldest.get_or_insert_with(Instant::now);
        let mut tray = self.shared.lock();
        if let Some(why) = &tray.ended {
            return Err(SinkError::Ended { why: why.clone() }.into());
        }
        tray.rows.extend_from_slice(row);
        // Rather a little early than a whole period late.
        if oldest.elapsed() + period.min(FLUSH_AFTER) > FLUSH_AFTER {
            tray.flush = true;
            self.oldest = None;
            self.shared.call.notify_one();
        }
        Ok(())
    }

    /// What keeps the sink from taking rows just now.
    pub(crate) fn trouble(&self) -> Option<String> {
        self.shared.lock().trouble.clone()
    }

    /// Whether any row is kept already.
    pub(crate) fn begun(&self) -> bool {
        self.shared.lock().begun
    }

    /// Hands over what is left and waits for the sink to finish.
    ///
    /// # Errors
    /// The sink did not take everything.
    pub(crate) fn close(mut self) -> Result<(), BenchError> {
        self.join();
        match self.shared.lock().ended.take() {
            Some(why) => Err(SinkError::Ended { why }.into()),
            None => Ok(()),
        }
    }

    fn join(&mut self) {
        let mut tray = self.shared.lock();
        tray.closed = true;
        drop(tray);
        self.shared.call.notify_one();
        if let Some(writer) = self.writer.take() {
            // A sink that panicked has said so itself.
            drop(writer.join());
        }
    }
}

impl Drop for Outbox {
    /// Also on a panic of the sampling thread: what was taken is kept.
    fn drop(&mut self) {
        if self.writer.is_some() {
            self.join();
        }
    }
}

/// The writing thread.
fn write(shared: &Shared, header: &Header, mut sink: Box<dyn Sink>) {
    let mut pending: Vec<f64> = Vec::new();
    let mut tries = 0;
    loop {
        let closed = take(shared, &mut pending, tries > 0);
        match hand_over(sink.as_mut(), header, &mut pending, closed) {
            Ok(begun) => {
                let mut tray = shared.lock();
                tray.trouble = None;
                tray.begun |= begun;
                tries = 0;
                if closed {
                    return;
                }
            }
            Err(SinkError::Later { why }) => {
                tries += 1;
                let given_up = closed && tries > LAST_TRIES || pending.len() > MOST_WAITING;
                let mut tray = shared.lock();
                if given_up {
                    tray.ended = Some(why);
                    return;
                }
                tray.trouble = Some(why);
            }
            Err(SinkError::Ended { why }) => {
                shared.lock().ended = Some(why);
                return;
            }
        }
    }
}

/// Gives rows to the sink, once each, and ends it after the last; tells whether there were any.
fn hand_over(
    sink: &mut dyn Sink,
    header: &Header,
    pending: &mut Vec<f64>,
    closed: bool,
) -> Result<bool, SinkError> {
    let any = !pending.is_empty();
    if any {
        sink.keep(header, Rows::new(header.channels.len(), pending))?;
        pending.clear();
    }
    if closed {
        sink.finish()?;
    }
    Ok(any)
}

/// Waits for rows and takes them; true once there will be no more.
fn take(shared: &Shared, pending: &mut Vec<f64>, again: bool) -> bool {
    let mut tray = shared.lock();
    if again {
        let waited = shared
            .call
            .wait_timeout(tray, RETRY_AFTER)
            .unwrap_or_else(PoisonError::into_inner);
        tray = waited.0;
    } else {
        while !tray.flush && !tray.closed {
            tray = shared
                .call
                .wait(tray)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }
    tray.flush = false;
    if pending.is_empty() {
        std::mem::swap(pending, &mut tray.rows);
    } else {
        pending.append(&mut tray.rows);
    }
    tray.closed
}
