//! The visitor's side: finds the run by its log, and asks.

use super::Health;
use crate::daemon::claim;
use http_body_util::{BodyExt, Empty, Limited};
use hyper::Request;
use hyper::body::Bytes;
use hyper_util::rt::TokioIo;
use std::io::Read;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::net::TcpStream;

/// How long the run may take to answer: it does so between two turns.
const PATIENCE: Duration = Duration::from_secs(5);
/// The longest answer read (bytes): a thousand channels take half of it.
const LONGEST: usize = 1 << 20;
/// The longest address read (bytes).
const LONGEST_ADDRESS: u64 = 200;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// No run holds the log.
    #[error(
        "{}: no run writes this log now", log.display()
    )]
    NotRunning {
        /// The log.
        log: PathBuf,
    },
    /// The run has no address.
    #[error(
        "{}: the run that writes this log does not say where it gives its status: it is a rehearsal, \
         which shows its own on its terminal; its address was taken; or the disk takes no lock file to \
         say it in. Where the station file states [health] listen, ask with that file, or there", log.display()
    )]
    NoAddress {
        /// The log.
        log: PathBuf,
    },
    /// It does not answer there.
    #[error("{address}: the run does not answer ({why}); is it stopped or overloaded?")]
    Silent {
        /// Its address.
        address: SocketAddr,
        /// What happened.
        why: String,
    },
}

/// Asks the run that writes `log` how it is: where its lock says, or else where the station `stated` it.
///
/// # Errors
/// [`AskError`].
pub fn ask(log: &Path, stated: Option<SocketAddr>) -> Result<Health, AskError> {
    let stated = stated.filter(|address| address.port() != 0);
    let address = match (address_of(log), stated) {
        (Err(AskError::NoAddress { .. }), Some(address)) => address,
        (told, _) => told?,
    };
    let silent = |why: String| AskError::Silent { address, why };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| silent(error.to_string()))?;
    let asked = async { tokio::time::timeout(PATIENCE, fetch(address)).await };
    match runtime.block_on(asked) {
        Ok(Ok(health)) => Ok(health),
        Ok(Err(error)) => Err(silent(error.to_string())),
        Err(_) => Err(silent(format!("nothing within {} s", PATIENCE.as_secs()))),
    }
}

/// What the lock beside the log says.
fn address_of(log: &Path) -> Result<SocketAddr, AskError> {
    if !claim::is_held(log) {
        return Err(AskError::NotRunning { log: log.to_path_buf() });
    }
    let mut text = String::new();
    let read = std::fs::File::open(claim::beside(log))
        .and_then(|file| file.take(LONGEST_ADDRESS).read_to_string(&mut text));
    let address = read.ok().and_then(|_| text.trim().parse().ok());
    address.ok_or_else(|| AskError::NoAddress { log: log.to_path_buf() })
}

type Fault = Box<dyn std::error::Error + Send + Sync>;

async fn fetch(address: SocketAddr) -> Result<Health, Fault> {
    let stream = TcpStream::connect(address).await?;
    let (mut sender, connection) =
        hyper::client::conn::http1::handshake(TokioIo::new(stream)).await?;
    let talk = async {
        let question = Request::get("/status").header("host", address.to_string());
        let answer = sender.send_request(question.body(Empty::<Bytes>::new())?).await?;
        let whole = Limited::new(answer.into_body(), LONGEST).collect().await?;
        Ok(serde_json::from_slice(&whole.to_bytes())?)
    };
    tokio::pin!(talk);
    tokio::select! {
        told = &mut talk => told,
        // The connection may end with its last byte before that byte is looked at.
        ended = connection => { ended?; talk.await }
    }
}
