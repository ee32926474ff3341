//! The run's side: a few visitors at a time, one question each.

use super::{Health, metrics};
use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{CONTENT_TYPE, HeaderValue};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::convert::Infallible;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

/// Visitors served at once; more have to wait.
pub(super) const MOST_VISITORS: usize = 4;
/// How long a visitor may take for question and answer.
const PATIENCE: Duration = Duration::from_secs(5);
/// A pause after the system refused a visitor, as when no file may be opened any more.
const BREATH: Duration = Duration::from_secs(1);

const OPEN_METRICS: HeaderValue =
    HeaderValue::from_static("application/openmetrics-text; version=1.0.0; charset=utf-8");
const JSON: HeaderValue = HeaderValue::from_static("application/json");
const PLAIN: HeaderValue = HeaderValue::from_static("text/plain; charset=utf-8");

/// Serves until dropped. `health` is asked once per question.
pub(in crate::daemon) async fn serve(listener: TcpListener, health: Rc<dyn Fn() -> Health>) {
    let places = Arc::new(Semaphore::new(MOST_VISITORS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else {
            return;
        };
        let Ok((stream, _)) = listener.accept().await else {
            tokio::time::sleep(BREATH).await;
            continue;
        };
        let health = Rc::clone(&health);
        tokio::task::spawn_local(async move {
            let _ = tokio::time::timeout(PATIENCE, visit(stream, health)).await;
            drop(place);
        });
    }
}

async fn visit(stream: TcpStream, health: Rc<dyn Fn() -> Health>) {
    let answer = service_fn(|request| {
        let response = respond(&request, &*health);
        async { Ok::<_, Infallible>(response) }
    });
    // A visitor who leaves in the middle is nobody's trouble.
    let _ = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .keep_alive(false)
        .serve_connection(TokioIo::new(stream), answer)
        .await;
}

fn respond(request: &Request<Incoming>, health: &dyn Fn() -> Health) -> Response<Full<Bytes>> {
    if request.method() != Method::GET {
        let text = "this address can only be read\n".to_owned();
        return response(StatusCode::METHOD_NOT_ALLOWED, PLAIN, text);
    }
    match request.uri().path() {
        "/metrics" => match metrics::text(&health()) {
            Ok(text) => response(StatusCode::OK, OPEN_METRICS, text),
            Err(error) => response(StatusCode::INTERNAL_SERVER_ERROR, PLAIN, error.to_string()),
        },
        "/status" => match serde_json::to_string(&health()) {
            Ok(text) => response(StatusCode::OK, JSON, text),
            Err(error) => response(StatusCode::INTERNAL_SERVER_ERROR, PLAIN, error.to_string()),
        },
        // For whoever only asks whether it is well.
        "/health" => {
            let turning = health().turning;
            let code = if turning { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
            let text = if turning { "control turns\n" } else { "a channel is stuck\n" };
            response(code, PLAIN, text.to_owned())
        }
        _ => response(StatusCode::NOT_FOUND, PLAIN, "/metrics, /status, /health\n".to_owned()),
    }
}

fn response(code: StatusCode, kind: HeaderValue, text: String) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from(text)));
    *response.status_mut() = code;
    response.headers_mut().insert(CONTENT_TYPE, kind);
    response
}
