//! The pages people see. Everything they can do works without a script.

pub mod call;
pub mod desk;
pub mod form;
pub mod layout;
pub mod listen;
pub mod receipt;
pub mod strip;
pub mod wave;
pub mod words;

use axum::Router;
use axum::routing::{get, post};

use crate::http::AppState;

/// Pages and their files.
pub fn routes() -> Router<AppState> {
    Router::new()
        .route("/", get(call::pieces))
        .route("/{slug}", get(call::call))
        .route("/{slug}/take", get(form::form))
        .route("/receipt/{token}", get(receipt::receipt))
        .route("/receipt/{token}/answer", post(receipt::answer))
        .route("/receipt/{token}/louder", post(receipt::louder::ask))
        .route("/receipt/{token}/louder/{id}", get(receipt::louder::show))
        .route("/receipt/{token}/withdraw", get(receipt::ask_withdraw).post(receipt::withdraw))
        .route("/desk", get(desk::front))
        .route("/desk/sign-in", post(desk::sign_in))
        .route("/desk/sign-out", post(desk::sign_out))
        .route("/desk/{slug}", get(desk::piece::piece))
        .route("/desk/{slug}/door", post(desk::door::set))
        .route("/desk/{slug}/render", post(desk::renders::render))
        .route("/desk/{slug}/cancel/{id}", post(desk::renders::cancel))
        .route("/desk/{slug}/delete/{id}", post(desk::renders::delete))
        .route(
            "/desk/{slug}/arrangement",
            get(desk::arrangement::show).post(desk::arrangement::save),
        )
        .route(
            "/desk/{slug}/arrangement/place",
            get(desk::arrangement::place::show).post(desk::arrangement::place::save),
        )
        .route("/desk/{slug}/arrangement/restore", post(desk::arrangement::restore))
        .route("/desk/{slug}/take/{id}", get(desk::take::take))
        .route("/desk/{slug}/take/{id}/answer", post(desk::take::answer))
        .route("/desk/{slug}/take/{id}/withdraw", post(desk::take::withdraw))
        .route("/assets/{edition}/{name}", get(layout::asset))
}

/// Pages that take as long as a recording takes to arrive.
pub fn slow_routes() -> Router<AppState> {
    Router::new()
        .route("/{slug}/take/send", post(form::hand_in).get(form::back_to_the_form))
        .layer(axum::extract::DefaultBodyLimit::disable())
}
