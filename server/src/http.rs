//! The HTTP interface: every route on one screen. Each resource has a file of its own.

pub mod arrangements;
pub mod consents;
pub mod described;
pub mod documents;
pub mod events;
pub mod extract;
pub mod files;
pub mod identity;
pub mod multipart;
pub mod own_files;
pub mod pack;
pub mod pieces;
pub mod problem;
pub mod ranges;
pub mod rate;
pub mod receipts;
pub mod renders;
pub mod security;
pub mod takes;
pub mod tus;

use std::error::Error;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderName, Request, StatusCode};
use axum::response::IntoResponse;
use axum::routing::get;
use axum::{Json, Router, middleware};
use ripieno_store::{ErrorKind, Store, StoreError};
use tokio_util::sync::CancellationToken;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::request_id::{PropagateRequestIdLayer, RequestId, SetRequestIdLayer};
use tower_http::timeout::TimeoutLayer;
use tower_http::trace::TraceLayer;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::config::Config;
use crate::pages;
use identity::Seal;
use problem::Problem;
use rate::PerAddress;

/// What every handler may use.
pub struct App {
    /// Records, blobs and the queue.
    pub store: Store,
    /// The settings in force.
    pub config: Config,
    /// Signs the desk's cookie.
    pub seal: Seal,
    /// Counts uploads begun.
    pub upload_starts: PerAddress,
    /// Counts wrong tokens.
    pub token_tries: PerAddress,
    /// Tells long answers that the service stops.
    pub stopping: CancellationToken,
}

/// The state as handlers are given it.
pub type AppState = Arc<App>;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Ripieno",
        description = "Turns hundreds of home recordings of one long piece into one mix. Errors \
                       are problem documents (RFC 9457). What is the organiser's wants \
                       `Authorization: Bearer TOKEN`."
    ),
    modifiers(&BearerToken),
    components(schemas(problem::ProblemBody)),
    tags(
        (name = "pieces", description = "Pieces and their guide packs"),
        (name = "uploads", description = "Recordings that arrive in parts, by tus 1.0.0"),
        (name = "takes", description = "Recordings, as the organiser sees them"),
        (name = "receipts", description = "A contributor's own view of a take"),
        (name = "arrangement", description = "Sections × groups"),
        (name = "renders", description = "Previews and finals"),
    )
)]
struct Description;

struct BearerToken;

impl utoipa::Modify for BearerToken {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
        let scheme = SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer));
        openapi.components.get_or_insert_default().add_security_scheme("organiser", scheme);
    }
}

/// Requests that are answered at once.
fn quick_api() -> OpenApiRouter<AppState> {
    OpenApiRouter::with_openapi(Description::openapi())
        .routes(routes!(pieces::list, pieces::create))
        .routes(routes!(pieces::show, pieces::replace))
        .routes(routes!(pieces::open_or_close))
        .routes(routes!(pack::whole))
        .routes(routes!(pack::one_file))
        .routes(routes!(own_files::list))
        .routes(routes!(takes::list::list))
        .routes(routes!(takes::check_form))
        .routes(routes!(takes::show, takes::correct, takes::withdraw))
        .routes(routes!(takes::recording))
        .routes(routes!(receipts::show, receipts::correct, receipts::withdraw))
        .routes(routes!(receipts::recording))
        .routes(routes!(receipts::own_data))
        .routes(routes!(receipts::louder::ask))
        .routes(routes!(receipts::louder::show))
        .routes(routes!(receipts::louder::sound))
        .routes(routes!(arrangements::show, arrangements::replace))
        .routes(routes!(arrangements::history))
        .routes(routes!(arrangements::versions::show))
        .routes(routes!(arrangements::versions::changes))
        .routes(routes!(arrangements::versions::restore))
        .routes(routes!(renders::list, renders::start))
        .routes(routes!(renders::show, renders::cancel))
        .routes(routes!(renders::file))
        .routes(routes!(renders::bundle::fetch))
        .routes(routes!(renders::watch::progress))
        .routes(routes!(renders::preview::newest))
        .routes(routes!(events::list))
}

/// Requests that may take as long as a recording takes to arrive.
fn slow_api() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(takes::upload::hand_in))
        .routes(routes!(own_files::bring))
        .layer(DefaultBodyLimit::disable())
        .merge(tus::routes())
}

/// The description of the interface, as it is served and printed.
#[must_use]
pub fn openapi() -> utoipa::openapi::OpenApi {
    quick_api().merge(slow_api()).into_openapi()
}

/// The whole service: interface, pages, and what surrounds every request.
pub fn router(app: AppState) -> Router {
    let timeout = Duration::from_secs(app.config.request_timeout_s.max(1));
    let (quick, described) = quick_api().split_for_parts();
    let (slow, more) = slow_api().split_for_parts();
    let described = Arc::new(described.merge_from(more));
    let quick = quick
        .route(
            "/api/v1/openapi.json",
            get(move || async move { Json(&*described).into_response() }),
        )
        .route("/healthz", get(|| async { "ok\n" }))
        .merge(pages::routes())
        .layer(TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, timeout));
    let request_id = HeaderName::from_static("x-request-id");
    Router::new()
        .merge(quick)
        .merge(slow)
        .merge(pages::slow_routes())
        .fallback(pages::layout::nothing_here)
        .method_not_allowed_fallback(|| async { Problem::method_not_allowed() })
        .layer(CatchPanicLayer::custom(|_| {
            tracing::error!("a handler panicked; the panic itself is on standard error");
            Problem::internal().into_response()
        }))
        .layer(middleware::from_fn(security::headers))
        // Faults are logged where they are handled; "come back later" is none.
        .layer(TraceLayer::new_for_http().make_span_with(span).on_failure(()))
        .layer(PropagateRequestIdLayer::new(request_id.clone()))
        .layer(SetRequestIdLayer::new(request_id, OwnRequestId))
        .with_state(app)
}

/// The span all log lines of a request carry. Query and receipts' tokens stay out of the log.
fn span<B>(request: &Request<B>) -> tracing::Span {
    let id = request.extensions().get::<RequestId>();
    let id = id.and_then(|id| id.header_value().to_str().ok()).unwrap_or_default();
    let path = without_secrets(request.uri().path());
    tracing::info_span!("request", id, method = %request.method(), path)
}

/// A path as it may be logged: what follows `receipts`, `receipt` or `uploads` is a secret.
fn without_secrets(path: &str) -> String {
    let mut hide = false;
    let parts: Vec<&str> = path
        .split('/')
        .map(|part| {
            let shown = if hide && !part.is_empty() { "…" } else { part };
            hide = matches!(part, "receipts" | "receipt" | "uploads");
            shown
        })
        .collect();
    parts.join("/")
}

/// Request ids are always our own: one from outside could forge lines in the log.
#[derive(Clone)]
struct OwnRequestId;

impl tower_http::request_id::MakeRequestId for OwnRequestId {
    fn make_request_id<B>(&mut self, _: &Request<B>) -> Option<RequestId> {
        let id = ripieno_store::new_id(crate::clock::now_us()).ok()?;
        Some(RequestId::new(id.parse().ok()?))
    }
}

impl From<StoreError> for Problem {
    /// What the store could not do, in words for any client; the cause goes to the log.
    fn from(error: StoreError) -> Self {
        match error.kind() {
            ErrorKind::NotFound => Problem::not_found("It is not there, or no longer."),
            ErrorKind::Taken => Problem::conflict("There is one of that name already."),
            ErrorKind::VersionConflict { current } => documents::someone_was_faster(current),
            ErrorKind::OffsetConflict { .. } | ErrorKind::NotNow | ErrorKind::LeaseLost => {
                Problem::conflict("It is not in a state that allows this.")
            }
            ErrorKind::TooLarge => Problem::too_large("It is larger than this service accepts."),
            ErrorKind::BrokenStream => {
                Problem::bad_request("The upload broke off; nothing of it was kept. Send it again.")
            }
            ErrorKind::Busy => Problem::not_yet("The service is very busy. Try again.", 2),
            ErrorKind::DiskFull => {
                log(&error);
                Problem::no_room(
                    "The server has no room left. Nothing was kept of this; what came before is \
                     safe. The organiser must make room.",
                )
            }
            ErrorKind::ReadOnly | ErrorKind::Corrupt | ErrorKind::Machine => {
                log(&error);
                Problem::internal()
            }
        }
    }
}

fn log(error: &StoreError) {
    tracing::error!(error = error as &dyn Error, "the store failed");
}

/// For `map_err` where the types leave `?` no room.
/// As [`Problem::from`], with what is missing told in words of its own.
pub(crate) fn or_not_found(says: &'static str) -> impl Fn(StoreError) -> Problem {
    move |error| match error.kind() {
        ErrorKind::NotFound => Problem::not_found(says),
        _ => Problem::from(error),
    }
}

pub(crate) fn store_problem(error: StoreError) -> Problem {
    Problem::from(error)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_stay_out_of_the_log() {
        assert_eq!(
            without_secrets("/api/v1/receipts/abc/recording"),
            "/api/v1/receipts/…/recording"
        );
        assert_eq!(without_secrets("/receipt/abc"), "/receipt/…");
        assert_eq!(without_secrets("/uploads/abc"), "/uploads/…");
        assert_eq!(without_secrets("/api/v1/pieces"), "/api/v1/pieces");
    }

    #[test]
    fn the_description_is_openapi_3_1_and_names_every_operation_once() {
        let json = serde_json::to_value(openapi()).unwrap();
        assert!(json["openapi"].as_str().unwrap().starts_with("3.1."));
        let mut seen = std::collections::HashSet::new();
        for item in json["paths"].as_object().unwrap().values() {
            for operation in item.as_object().unwrap().values() {
                let id = operation["operationId"].as_str().unwrap().to_owned();
                assert!(seen.insert(id.clone()), "{id} twice");
            }
        }
        assert!(seen.len() > 20);
    }
}
