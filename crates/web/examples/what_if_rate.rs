//! How many questions a second the page of what-if answers: computed, drawn and written, as the
//! script of the page asks while a slider moves; on one processor.
//!
//! `cargo run --release -p settlepoint-web --example what_if_rate -- NOTEBOOK`

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::Instant;

use settlepoint_web::{Config, serve};

/// Questions asked.
const ASKED: u32 = 600;

fn no_example(_: &Path) -> Result<PathBuf, String> {
    Err("no example here".to_owned())
}

fn get(host: &str, path: &str) -> std::io::Result<usize> {
    let mut stream = TcpStream::connect(host)?;
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
    )?;
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes)?;
    Ok(bytes.len())
}

#[expect(clippy::print_stdout, reason = "a program that measures")]
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("name a notebook")?;
    let mut config = Config::new(PathBuf::from("."), no_example);
    config.notebook = Some(PathBuf::from(path));
    let begun = Instant::now();
    let (send, receive) = channel();
    std::thread::spawn(move || {
        serve(config, |ready| {
            // The other end waits for it.
            let _ = send.send(ready.address.clone());
        })
    });
    let address = receive.recv()?;
    let host = address.trim_start_matches("http://").trim_end_matches('/');
    get(host, "/")?;
    println!(
        "first page {:.0} ms after the start",
        1e3 * begun.elapsed().as_secs_f64()
    );
    get(host, "/what-if/live")?;
    for minutes in [10, 167] {
        let begun = Instant::now();
        let asked = if minutes == 10 { ASKED } else { ASKED / 10 };
        let mut bytes = 0;
        for i in 0..asked {
            // No two alike, so that nothing kept could help.
            let watts = 60.0 + 0.1 * f64::from(i);
            bytes += get(
                host,
                &format!(
                    "/what-if/live?pl1_w={watts}&pl2_w=253&tau_s=56&limit_c=100&room_c=30&minutes={minutes}"
                ),
            )?;
        }
        let seconds = begun.elapsed().as_secs_f64();
        println!(
            "{minutes} min: {:.0} a second, {:.1} ms and {} kB each",
            f64::from(asked) / seconds,
            1e3 * seconds / f64::from(asked),
            bytes / 1000 / asked as usize
        );
    }
    Ok(())
}
