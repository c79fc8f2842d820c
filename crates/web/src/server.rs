//! The listener: connections with limits of number, size and time.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

use crate::error::WebError;
use crate::pages;
use crate::state::State;

/// Makes the invented example in a folder and gives the notebook's path; a message says why not.
pub type MakeExample = fn(&std::path::Path) -> Result<PathBuf, String>;

/// What the server is to do.
#[derive(Clone, Debug)]
pub struct Config {
    /// Folder in which notebooks are listed and made.
    pub folder: PathBuf,
    /// Notebook that is open from the start.
    pub notebook: Option<PathBuf>,
    /// Address to listen on; any but a loopback one needs a key, which is then part of
    /// [`Ready::address`].
    pub address: IpAddr,
    /// Port; 0 takes a free one.
    pub port: u16,
    /// Whether the loopback address needs a key, too: for machines with other people logged in.
    pub with_key: bool,
    /// Makes the example.
    pub example: MakeExample,
    /// Largest file that is taken, bytes.
    pub upload_bytes: usize,
    /// Longest time that a request's head, or its body, may take.
    pub patience: Duration,
    /// Asked several times a second whether to end.
    pub stop: fn() -> bool,
}

impl Config {
    /// A server on the loopback address and a free port that takes files up to 64 MiB.
    pub fn new(folder: PathBuf, example: MakeExample) -> Self {
        Self {
            folder,
            notebook: None,
            address: IpAddr::from([127, 0, 0, 1]),
            port: 0,
            with_key: false,
            example,
            upload_bytes: 64 << 20,
            patience: Duration::from_secs(15),
            stop: || false,
        }
    }
}

/// The server is listening.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ready {
    /// What to open in a browser.
    pub address: String,
    /// Whether other machines may reach it.
    pub beyond_this_machine: bool,
}

/// Connections at one time; further ones wait in the system's queue until one closes.
const CONNECTIONS: usize = 256;
/// Threads that compute. Connections have one of their own and never wait for them.
const WORKERS: usize = 4;
/// Most bytes of a request's head.
const HEAD_BYTES: usize = 16 << 10;

/// How often [`Config::stop`] is asked.
const LOOK_UP: Duration = Duration::from_millis(100);
/// Work in hand has this long to end with the server.
const GRACE: Duration = Duration::from_secs(1);

/// Listens and answers until [`Config::stop`] says so. `ready` is called once, when the address is known.
///
/// # Errors
/// [`WebError::Notebook`] if the notebook cannot be opened, [`WebError::Listen`] if the address is
/// taken or not this machine's.
pub fn serve(config: Config, ready: impl FnOnce(&Ready)) -> Result<(), WebError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_io()
        .enable_time()
        .max_blocking_threads(WORKERS)
        .thread_keep_alive(Duration::from_secs(30))
        .build()
        .map_err(|e| WebError::System(e.to_string()))?;
    let done = runtime.block_on(run(config, ready));
    runtime.shutdown_timeout(GRACE);
    done
}

async fn run(config: Config, ready: impl FnOnce(&Ready)) -> Result<(), WebError> {
    let address = SocketAddr::new(config.address, config.port);
    let failed = |source| WebError::Listen { address, source };
    let listener = TcpListener::bind(address).await.map_err(failed)?;
    let own = listener.local_addr().map_err(failed)?;
    let (patience, stop) = (config.patience, config.stop);
    let state = Arc::new(State::new(config, names(own))?);
    ready(&Ready {
        address: address_to_open(own, state.key.as_deref()),
        beyond_this_machine: !own.ip().is_loopback(),
    });
    pages::warm(&state);
    tokio::select! {
        () = accept(listener, pages::router(&state), patience) => {}
        () = asked_to_end(stop) => {}
    }
    Ok(())
}

async fn asked_to_end(stop: fn() -> bool) {
    while !stop() {
        tokio::time::sleep(LOOK_UP).await;
    }
}

/// Names under which a browser may ask for this address.
fn names(own: SocketAddr) -> Vec<String> {
    let port = own.port();
    let mut names = vec![own.to_string()];
    if own.ip().is_loopback() {
        names.push(format!("localhost:{port}"));
    }
    if port == 80 {
        let bare: Vec<String> = names
            .iter()
            .filter_map(|n| n.strip_suffix(":80").map(str::to_owned))
            .collect();
        names.extend(bare);
    }
    names
}

fn address_to_open(own: SocketAddr, key: Option<&str>) -> String {
    match key {
        Some(key) => format!("http://{own}/?key={key}"),
        None => format!("http://{own}/"),
    }
}

async fn accept(listener: TcpListener, router: Router, patience: Duration) {
    let places = Arc::new(Semaphore::new(CONNECTIONS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else {
            return;
        };
        let Ok((stream, _)) = listener.accept().await else {
            // Out of descriptors, or gone already: a moment later there may be room again.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        let router = router.clone();
        tokio::spawn(async move {
            converse(stream, router, patience).await;
            drop(place);
        });
    }
}

/// One connection. Whatever goes wrong on it concerns nobody else.
async fn converse(stream: TcpStream, router: Router, patience: Duration) {
    let _ = stream.set_nodelay(true);
    let service = TowerToHyperService::new(router);
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(patience)
        .max_buf_size(HEAD_BYTES.max(8 << 10))
        .serve_connection(TokioIo::new(stream), service);
    let _ = connection.await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_own_names_count() {
        let own = SocketAddr::from(([127, 0, 0, 1], 4321));
        assert_eq!(names(own), ["127.0.0.1:4321", "localhost:4321"]);
        let wide = SocketAddr::from(([192, 0, 2, 7], 80));
        assert_eq!(names(wide), ["192.0.2.7:80", "192.0.2.7"]);
    }

    #[test]
    fn a_key_stands_in_the_address() {
        let own = SocketAddr::from(([192, 0, 2, 7], 4321));
        let address = address_to_open(own, Some("abc"));
        assert_eq!(address, "http://192.0.2.7:4321/?key=abc");
    }
}
