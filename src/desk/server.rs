//! Listens on this computer only, and answers.

use std::io;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{Path as Segments, Request, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::sync::Semaphore;
use tower::ServiceExt;

use super::form::Form;
use super::guard::{Guard, Peer, Refusal, add_headers};
use super::jobs::Jobs;
use super::multipart;
use super::page::{Page, Reply, View, document, plain_page, refused};
use super::ready::Ready;
use super::views;
use super::worker::{Failure, Worker};
use crate::app::{AppError, Book};

/// Most connections at one time; others wait.
const CONNECTIONS: usize = 64;

/// Longest body of a form, in bytes.
const FORM_BYTES: usize = 1 << 20;

/// Longest sheet, in bytes.
const SHEET_BYTES: usize = 64 << 20;

/// Longest wait for the headers of a request, and for the body of a form.
const PATIENCE: Duration = Duration::from_secs(10);

/// Longest wait for a sheet.
const SHEET_PATIENCE: Duration = Duration::from_secs(120);

/// Longest wait at the end for answers under way.
const FAREWELL: Duration = Duration::from_secs(3);

const LOOK: &str = include_str!("../../data/look.css");
const STYLE: &str = concat!(
    include_str!("../../data/desk/desk.css"),
    include_str!("../../data/chart.css")
);
const SCRIPT: &str = include_str!("../../data/desk/desk.js");

/// A desk that listens.
pub struct Desk {
    listener: TcpListener,
    state: Arc<Shared>,
    book: JoinHandle<()>,
}

/// The state that all requests share.
struct Shared {
    guard: Guard,
    worker: Worker,
    long: Jobs,
    /// Name of the folder of the book.
    name: String,
    under_way: AtomicUsize,
}

/// Opens a desk for a book on a port; 0 is any that is free.
///
/// # Errors
/// If the port is taken, or the system refuses.
pub fn open(book: &Book, port: u16) -> Result<Desk, AppError> {
    let failed = |error| AppError::io(format!("127.0.0.1:{port}"), "listen on")(error);
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map_err(failed)?;
    let port = listener.local_addr().map_err(failed)?.port();
    let root = book.root();
    let root = std::path::absolute(root).map_err(AppError::io(root, "find"))?;
    let name = root
        .file_name()
        .map(|name| name.to_string_lossy().into_owned());
    let guard = Guard::new(port).map_err(|error| failed(io::Error::other(error.to_string())))?;
    let long = Jobs::new(root.clone());
    let (worker, book) = Worker::start(root, long.clone()).map_err(failed)?;
    Ok(Desk {
        listener,
        state: Arc::new(Shared {
            guard,
            worker,
            long,
            name: name.unwrap_or_default(),
            under_way: AtomicUsize::new(0),
        }),
        book,
    })
}

impl Desk {
    /// The address that lets one browser in, once.
    pub fn address(&self) -> String {
        self.state.guard.address()
    }

    /// Answers until Ctrl-C (or the signal to end) comes. What is being written then is written to its end.
    ///
    /// # Errors
    /// If the system refuses to listen.
    pub fn run(self) -> Result<(), AppError> {
        let failed = AppError::io("127.0.0.1", "listen on");
        let done = serve(self.listener, &self.state);
        self.state.long.end(FAREWELL);
        done.map_err(failed)?;
        // The thread of the book ends when its last handle is gone.
        drop(self.state);
        let _ = self.book.join();
        Ok(())
    }
}

fn serve(listener: TcpListener, state: &Arc<Shared>) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        listener.set_nonblocking(true)?;
        let listener = tokio::net::TcpListener::from_std(listener)?;
        let router = router(state);
        tokio::select! {
            never = accept(&listener, &router) => never?,
            ended = ended() => ended?,
        }
        drop(listener);
        let begun = tokio::time::Instant::now();
        while state.under_way.load(Ordering::Relaxed) > 0 && begun.elapsed() < FAREWELL {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        Ok(())
    })
}

/// Waits for Ctrl-C, or for the signal to end.
async fn ended() -> io::Result<()> {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let mut end = signal(SignalKind::terminate())?;
        tokio::select! {
            done = tokio::signal::ctrl_c() => done,
            _ = end.recv() => Ok(()),
        }
    }
    #[cfg(not(unix))]
    tokio::signal::ctrl_c().await
}

async fn accept(listener: &tokio::net::TcpListener, router: &Router) -> io::Result<()> {
    let places = Arc::new(Semaphore::new(CONNECTIONS));
    loop {
        let place = places.clone().acquire_owned().await;
        let place = place.map_err(io::Error::other)?;
        match listener.accept().await {
            Ok((stream, peer)) => {
                let router = router.clone();
                tokio::spawn(async move {
                    connection(stream, peer, router).await;
                    drop(place);
                });
            }
            // A connection that broke, or no file handles at the moment.
            Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
        }
    }
}

async fn connection(stream: tokio::net::TcpStream, peer: SocketAddr, router: Router) {
    // Without this, a small answer waits for the acknowledgement of the one before.
    let _ = stream.set_nodelay(true);
    let service = hyper::service::service_fn(move |request: hyper::Request<_>| {
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(Peer(peer.ip()));
        router.clone().oneshot(request)
    });
    let mut http = hyper::server::conn::http1::Builder::new();
    http.timer(TokioTimer::new())
        .header_read_timeout(PATIENCE)
        .max_buf_size(64 << 10);
    // It ended, one way or another.
    let _ = http.serve_connection(TokioIo::new(stream), service).await;
}

fn router(state: &Arc<Shared>) -> Router {
    let fixed = |kind: &'static str, text: &'static str| {
        get(move || async move { ([(header::CONTENT_TYPE, kind)], text) })
    };
    Router::new()
        .route("/", get(|| async { see_other("/price") }))
        .route("/enter/{token}", get(enter))
        .route("/look.css", fixed("text/css; charset=utf-8", LOOK))
        .route("/desk.css", fixed("text/css; charset=utf-8", STYLE))
        .route("/desk.js", fixed("text/javascript; charset=utf-8", SCRIPT))
        .route("/work/{id}", get(progress))
        .route("/work/{id}/cancel", post(cancel))
        .route("/{view}", get(show).post(show))
        .route("/{view}/do", post(act))
        .route("/{view}/{part}", get(part).post(part))
        .fallback(|| async { absent() })
        .layer(from_fn_with_state(state.clone(), guarded))
        .with_state(state.clone())
}

/// Checks every request, and gives every answer its headers.
async fn guarded(State(state): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    state.under_way.fetch_add(1, Ordering::Relaxed);
    let _under_way = UnderWay(state.clone());
    let (parts, body) = request.into_parts();
    let mut response = match state.guard.check(&parts) {
        Ok(_) => next.run(Request::from_parts(parts, body)).await,
        Err(refusal) => refuse(refusal),
    };
    add_headers(response.headers_mut());
    response
}

/// Counts a request off when it ends, or when its connection does.
struct UnderWay(Arc<Shared>);

impl Drop for UnderWay {
    fn drop(&mut self) {
        self.0.under_way.fetch_sub(1, Ordering::Relaxed);
    }
}

async fn enter(
    State(state): State<Arc<Shared>>,
    Segments(token): Segments<String>,
    headers: HeaderMap,
) -> Response {
    match state.guard.enter(&token, &headers) {
        Ok(cookie) => {
            let mut response = see_other("/");
            let cookie = cookie.and_then(|cookie| cookie.parse().ok());
            if let Some(cookie) = cookie {
                response.headers_mut().insert(header::SET_COOKIE, cookie);
            }
            response
        }
        Err(refusal) => refuse(refusal),
    }
}

async fn show(
    State(state): State<Arc<Shared>>,
    Segments(view): Segments<String>,
    request: Request,
) -> Response {
    let (view, form) = match asked(&view, request, FORM_BYTES, PATIENCE).await {
        Ok(asked) => asked,
        Err(response) => return *response,
    };
    let job = move |ready: &Ready<'_>| finished(ready, view, views::show(ready, view, &form));
    answered(&state, state.worker.ask(false, job).await)
}

async fn act(
    State(state): State<Arc<Shared>>,
    Segments(view): Segments<String>,
    request: Request,
) -> Response {
    let (view, form) = match asked(&view, request, FORM_BYTES, PATIENCE).await {
        Ok(asked) => asked,
        Err(response) => return *response,
    };
    let job = move |ready: &Ready<'_>| finished(ready, view, views::act(ready, view, &form));
    answered(&state, state.worker.ask(true, job).await)
}

async fn progress(State(state): State<Arc<Shared>>, Segments(id): Segments<String>) -> Response {
    let shown = id.parse().ok().and_then(|id| state.long.show(id));
    shown.map_or_else(absent, |reply| answered(&state, Ok(reply)))
}

async fn cancel(State(state): State<Arc<Shared>>, Segments(id): Segments<String>) -> Response {
    let shown = id.parse().ok().and_then(|id| state.long.cancel(id));
    shown.map_or_else(absent, |reply| answered(&state, Ok(reply)))
}

async fn part(
    State(state): State<Arc<Shared>>,
    Segments((view, word)): Segments<(String, String)>,
    request: Request,
) -> Response {
    let writes = request.method() == Method::POST;
    let (view, form) = match asked(&view, request, SHEET_BYTES, SHEET_PATIENCE).await {
        Ok(asked) => asked,
        Err(response) => return *response,
    };
    let job = move |ready: &Ready<'_>| match views::part(ready, view, &word, &form) {
        Ok(None) => None,
        Ok(Some(reply)) => Some(finished(ready, view, Ok(reply))),
        Err(error) => Some(finished(ready, view, Err(error))),
    };
    match state.worker.ask(writes, job).await {
        Ok(Some(reply)) => answered(&state, Ok(reply)),
        Ok(None) => absent(),
        Err(failure) => answered(&state, Err(failure)),
    }
}

/// The view that a request is for, and its fields; or the answer where there is no such view or the fields are none.
async fn asked(
    view: &str,
    request: Request,
    most: usize,
    patience: Duration,
) -> Result<(View, Form), Box<Response>> {
    let view = View::of(view).ok_or_else(|| Box::new(absent()))?;
    let form = form_of(request, most, patience).await;
    let form = form.map_err(|refusal| Box::new(refuse(refusal)))?;
    Ok((view, form))
}

/// A reply with the notices of its making; an error as a page.
fn finished(ready: &Ready<'_>, view: View, made: Result<Reply, AppError>) -> Reply {
    let notes = ready.take_notes();
    let reply =
        made.unwrap_or_else(|error| Reply::Page(Page::new(view, maud::html! {}, refused(&error))));
    reply.with_page(|page| page.with_notes(notes))
}

/// The fields of a request: of the query of its address, then of its body. A body that is no form is a file.
async fn form_of(request: Request, most: usize, patience: Duration) -> Result<Form, Refusal> {
    let refusal = |status, words| Refusal { status, words };
    let (parts, body) = request.into_parts();
    let mut text = parts.uri.query().unwrap_or_default().as_bytes().to_vec();
    if parts.method != Method::POST {
        return read(&text);
    }
    let kind = parts.headers.get(header::CONTENT_TYPE);
    let kind = kind.and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    let parts_end = multipart::boundary(kind).filter(|_| most > FORM_BYTES);
    let kind = kind.split(';').next().unwrap_or_default().trim();
    let is_file = kind == "application/octet-stream" && most > FORM_BYTES;
    if !is_file && parts_end.is_none() && kind != "application/x-www-form-urlencoded" {
        const WORDS: &str = "The request is not a form.";
        return Err(refusal(StatusCode::UNSUPPORTED_MEDIA_TYPE, WORDS));
    }
    let with_file = is_file || parts_end.is_some();
    let most = if with_file { most } else { FORM_BYTES };
    let bytes: Bytes = match tokio::time::timeout(patience, to_bytes(body, most)).await {
        Ok(Ok(bytes)) => bytes,
        Ok(Err(_)) => {
            const WORDS: &str = "That is too long: nothing was changed.";
            return Err(refusal(StatusCode::PAYLOAD_TOO_LARGE, WORDS));
        }
        Err(_) => {
            const WORDS: &str = "The request came too slowly: nothing was changed.";
            return Err(refusal(StatusCode::REQUEST_TIMEOUT, WORDS));
        }
    };
    if let Some(end) = parts_end {
        return multipart::read(read(&text)?, &bytes, end).map_err(|_| UNREADABLE);
    }
    if is_file {
        return Ok(read(&text)?.with_file(bytes.to_vec()));
    }
    text.push(b'&');
    text.extend_from_slice(&bytes);
    read(&text)
}

fn read(text: &[u8]) -> Result<Form, Refusal> {
    Form::parse(text).map_err(|_| UNREADABLE)
}

const UNREADABLE: Refusal = Refusal {
    status: StatusCode::BAD_REQUEST,
    words: "The form cannot be read: nothing was changed.",
};

fn answered(state: &Shared, reply: Result<Reply, Failure>) -> Response {
    match reply {
        Ok(Reply::Page(page)) => html(StatusCode::OK, document(&page, &state.name)),
        Ok(Reply::SeeOther(address)) => see_other(&address),
        Ok(Reply::Svg(text)) => typed("image/svg+xml", text),
        Ok(Reply::Json(text)) => typed("application/json", text),
        Ok(Reply::Csv(name, text)) => {
            let mut response = typed("text/csv; charset=utf-8", text);
            if let Ok(value) = format!("attachment; filename=\"{name}\"").parse() {
                let headers = response.headers_mut();
                headers.insert(header::CONTENT_DISPOSITION, value);
            }
            response
        }
        Err(Failure::Closed(why)) => html(
            StatusCode::SERVICE_UNAVAILABLE,
            plain_page("The book cannot be opened", &[&why], true),
        ),
        Err(Failure::Broken) => html(
            StatusCode::INTERNAL_SERVER_ERROR,
            plain_page(
                "This went wrong",
                &["A fault of the program, not yours. Look at the book before you send it again."],
                true,
            ),
        ),
    }
}

fn html(status: StatusCode, text: String) -> Response {
    let kind = [(header::CONTENT_TYPE, "text/html; charset=utf-8")];
    (status, kind, text).into_response()
}

fn typed(kind: &'static str, text: String) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

fn see_other(address: &str) -> Response {
    let mut response = StatusCode::SEE_OTHER.into_response();
    // Only addresses of this desk.
    let ours = address.starts_with('/') && !address.starts_with("//");
    let address = if ours { address } else { "/" };
    if let Ok(value) = address.parse() {
        response.headers_mut().insert(header::LOCATION, value);
    }
    response
}

fn refuse(refusal: Refusal) -> Response {
    let title = match refusal.status {
        StatusCode::FORBIDDEN => "Not let in",
        _ => "Refused",
    };
    let mut response = html(refusal.status, plain_page(title, &[refusal.words], false));
    // The bytes after a body that was not read to its end are no request.
    let close = header::HeaderValue::from_static("close");
    response.headers_mut().insert(header::CONNECTION, close);
    response
}

fn absent() -> Response {
    let text = plain_page(
        "There is no such page",
        &["Choose one of the links above."],
        true,
    );
    html(StatusCode::NOT_FOUND, text)
}
