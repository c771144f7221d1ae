//! The end of the service, told to those who wait inside it.

use tokio::sync::watch;

/// Whether the service was told to stop. Clones tell and hear the same.
#[derive(Clone, Debug, Default)]
pub struct Stop(watch::Sender<bool>);

impl Stop {
    /// Tells everybody.
    pub fn begin(&self) {
        self.0.send_replace(true);
    }

    /// Whether it has begun.
    pub fn has_begun(&self) -> bool {
        *self.0.borrow()
    }

    /// Returns when it has begun, and never if it does not.
    pub async fn begun(&self) {
        // The sender lives as long as this does, so that there is no other end of waiting.
        let _ = self.0.subscribe().wait_for(|begun| *begun).await;
    }
}
