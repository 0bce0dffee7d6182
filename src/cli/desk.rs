//! `compband desk`: the book as a page in the browser of this computer.

use std::path::Path;
use std::process::{Command, Stdio};

use clap::Args;

use super::{CliError, notice, open, print};
use crate::desk;

const EXAMPLES: &str = "\
Examples:
  compband desk                    open the book as a page in the browser
  compband desk --no-browser       only print the address, to be opened by hand
  compband desk --port 8090        on a port of your choice

The page is for this computer only; nothing goes to the network. The printed address lets one
browser in, once: start the desk again for another.";

/// Open the book as a page in your browser, on this computer only
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct DeskArgs {
    /// Port to listen on [default: any free one]
    #[arg(long, value_name = "N", default_value_t = 0, hide_default_value = true)]
    port: u16,
    /// Print the address and do not open a browser
    #[arg(long)]
    no_browser: bool,
}

/// Runs the command until Ctrl-C.
///
/// # Errors
/// If there is no book, or the port is taken.
pub fn run(args: &DeskArgs, book: Option<&Path>) -> Result<(), CliError> {
    let book = open(book)?;
    let desk = desk::open(&book, args.port)?;
    let address = desk.address();
    print(&format!(
        "The desk is open; the address works once: {address}\nCtrl-C ends it.\n"
    ))?;
    if !args.no_browser && !opened(&address) {
        notice("no browser could be opened: open the address by hand");
    }
    drop(book);
    Ok(desk.run()?)
}

/// Opens an address in the browser; whether that began.
fn opened(address: &str) -> bool {
    let (program, args): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("rundll32", &["url.dll,FileProtocolHandler"])
    } else {
        ("xdg-open", &[])
    };
    let started = Command::new(program)
        .args(args)
        .arg(address)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let Ok(mut started) = started else {
        return false;
    };
    // So that it does not stay behind as a process that ended.
    std::thread::spawn(move || started.wait());
    true
}
