//! `wyelog serve`

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;

use wyelog::serve::{Options, Server};

use super::{Failure, Outcome};

/// Show a store in a browser: all banks, what needs a crew first, and a page for each, with charts to zoom.
///
/// New logs show by themselves. The first line is the address to open; Ctrl-C ends it. Only this PC can look, unless a
/// token is given: then whoever has it can. What is sent is not encrypted: listen elsewhere only in a network that you trust.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Keys on the page of a bank: + closer, - wider, arrows earlier and later, 0 all, d w m last day, week, 30 days.

Examples:
  wyelog serve --store desk
  wyelog serve --store desk --listen 127.0.0.1:8080
  WYELOG_TOKEN=$(openssl rand -hex 16) wyelog serve --store desk --listen 0.0.0.0:8080 --name desk.example")]
pub struct Arguments {
    /// Folder of the store
    #[arg(long, value_name = "DIR")]
    store: PathBuf,
    /// Address and port to listen at; port 0: a free one
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    /// What a reader has to know, 16 characters or more; better in the environment variable WYELOG_TOKEN, which other users
    /// of this PC cannot see
    #[arg(long, value_name = "TOKEN")]
    token: Option<String>,
    /// A name besides localhost by which readers may call this PC; may be given several times
    #[arg(long, value_name = "NAME")]
    name: Vec<String>,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let token = arguments.token.clone().or_else(|| std::env::var("WYELOG_TOKEN").ok());
    let server = Server::bind(&Options {
        store: arguments.store.clone(),
        listen: arguments.listen,
        token,
        names: arguments.name.clone(),
    })?;
    let stopper = server.stopper();
    ctrlc::set_handler(move || stopper.stop()).map_err(|error| {
        Failure::new(format!("Ctrl-C cannot be heard: {error}; end other programs and try again"))
    })?;
    writeln!(out, "{}", server.url())?;
    writeln!(out, "shows {} and what comes to it; Ctrl-C ends it", arguments.store.display())?;
    out.flush()?;
    server.run()?;
    Ok(Outcome::Whole)
}
