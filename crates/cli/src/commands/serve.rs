//! `serve`.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::json;
use settlepoint_web::{Config, Ready, WebError, serve as listen};

use crate::args::ServeArgs;
use crate::commands::demo;
use crate::error::{Code, Failure};
use crate::interrupt::{self, Writing};
use crate::message;

/// `settlepoint serve`: prints the address as soon as it is known, and stays.
pub(crate) fn serve(args: &ServeArgs, json: bool) -> Result<(), Failure> {
    let config = config(args)?;
    // Ctrl-C is then the ordinary end: the notebook is closed, nothing is cut off.
    let _writing = Writing::begin();
    let mut told = Ok(());
    listen(config, |ready| told = tell(ready, args.open, json)).map_err(failure)?;
    told
}

fn config(args: &ServeArgs) -> Result<Config, Failure> {
    if let Some(path) = &args.notebook
        && !path.exists()
    {
        return Err(Failure::usage(format!(
            "there is no notebook {}; make it with 'settlepoint new', or start without a name and make \
             one on the first page",
            path.display()
        )));
    }
    let folder = args.notebook.as_deref().and_then(Path::parent);
    let folder = folder
        .filter(|f| !f.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    let mut config = Config::new(folder.to_owned(), example);
    config.notebook.clone_from(&args.notebook);
    config.port = args.port;
    config.with_key = args.key;
    config.stop = interrupt::pressed;
    if let Some(address) = args.listen_on_network {
        config.address = checked(address)?;
    }
    Ok(config)
}

/// A browser must be able to ask for the very address, so that others can be refused.
fn checked(address: IpAddr) -> Result<IpAddr, Failure> {
    if address.is_unspecified() || address.is_multicast() {
        return Err(Failure::usage(format!(
            "--listen-on-network {address}: give the one address of this machine that others shall use"
        )));
    }
    Ok(address)
}

fn tell(ready: &Ready, open: bool, json: bool) -> Result<(), Failure> {
    if ready.beyond_this_machine {
        message(
            "settlepoint: other machines on the network can reach this page. Whoever has the whole \
             address can read and change the notebook, and what is sent is not encrypted. Give it only \
             to people you trust, and stop the server (Ctrl-C) when you are done.\n",
        );
    }
    let line = if json {
        let object = json!({ "schema": "settlepoint.serve/1", "address": ready.address });
        format!("{object}\n")
    } else {
        format!("{}\nCtrl-C ends the server.\n", ready.address)
    };
    crate::print(&line)?;
    if open {
        open_browser(&ready.address);
    }
    Ok(())
}

/// Asks the system to open the address. If it cannot, the address has been printed.
fn open_browser(address: &str) {
    let (program, before): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(target_os = "windows") {
        ("cmd", &["/C", "start", ""])
    } else {
        ("xdg-open", &[])
    };
    let started = Command::new(program)
        .args(before)
        .arg(address)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    if started.is_err() {
        message("settlepoint: no browser could be started; open the address yourself\n");
    }
}

/// The example's notebook: as it is if it is there, else made anew.
fn example(folder: &Path) -> Result<PathBuf, String> {
    let path = folder.join("demo.settle");
    if !path.exists() {
        demo::make(folder).map_err(|_| {
            "The example cannot be made in the server's folder. Start the server in an empty folder \
             that may be written to."
                .to_owned()
        })?;
    }
    Ok(path)
}

fn failure(error: WebError) -> Failure {
    match error {
        WebError::Notebook(error) => error.into(),
        other @ WebError::Listen { .. } => Failure::usage(other.to_string()),
        other => Failure::new(Code::Notebook, other.to_string()),
    }
}
