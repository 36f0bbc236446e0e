//! Running the service.

use crate::app::App;
use crate::config::{self, Config};
use crate::guard::Guard;
use crate::polling::{self, Feeds};
use crate::store::Store;
use crate::{api, calibration, files, memory};
use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;

/// How long requests under way may take after the order to stop.
const GRACE: Duration = Duration::from_secs(10);

/// A service that listens but does not answer yet.
#[derive(Debug)]
pub struct Service {
    app: Arc<App>,
    guard: Arc<Guard>,
    listener: TcpListener,
}

impl Service {
    /// Loads the model and binds the address.
    ///
    /// # Errors
    /// If the pack is faulty, the address is not a loopback one, or it cannot be bound.
    pub async fn bind(config: &Config) -> anyhow::Result<Self> {
        anyhow::ensure!(
            config.listen.ip().is_loopback(),
            "{}: without tokens the service listens on loopback only",
            config.listen
        );
        let pack = files::pack(config.pack.as_deref())?;
        let book = files::book(config.reference_book.as_deref())?;
        let feeds = Feeds::new(config)?;
        let folder = config::data_folder(config.data.as_deref())?;
        let store = Store::open(&folder, config.database_url.as_deref()).await?;
        let app = App::with_feeds(pack, book, store, feeds)?;
        let listener = TcpListener::bind(config.listen).await.with_context(|| format!("binding {}", config.listen))?;
        Ok(Self { app, guard: Guard::new(config), listener })
    }

    /// The address it listens on.
    ///
    /// # Errors
    /// If the socket has none.
    pub fn address(&self) -> std::io::Result<SocketAddr> {
        self.listener.local_addr()
    }

    /// Answers until `stop` resolves, then finishes what is under way, within a grace.
    ///
    /// # Errors
    /// If accepting connections fails.
    pub async fn run(self, stop: impl Future<Output = ()> + Send + 'static) -> anyhow::Result<()> {
        let (stopping, mut stopped) = tokio::sync::watch::channel(false);
        let app = self.app.clone();
        let signalled = async move {
            stop.await;
            app.drain();
            let _ = stopping.send(true);
        };
        let background = tokio::spawn(background(self.app.clone()));
        let router = api::router(self.app, &self.guard);
        let serving = axum::serve(self.listener, router).with_graceful_shutdown(signalled);
        // A client that never finishes its request must not keep the process alive.
        let deadline = async move {
            let _ = stopped.wait_for(|s| *s).await;
            tokio::time::sleep(GRACE).await;
        };
        let ended = tokio::select! {
            served = serving.into_future() => served.context("serving"),
            () = deadline => Ok(()),
        };
        // A calibration or poll under way is taken up again by whoever starts next.
        background.abort();
        ended
    }
}

/// How long the answers to repeated requests are kept, and how often the old ones are thrown away.
const KEPT: SignedDuration = SignedDuration::from_hours(24);
const TIDIED: Duration = Duration::from_secs(60 * 60);

/// What goes on beside the requests.
async fn background(app: Arc<App>) {
    let Ok(memory) = app.memory() else { return };
    let settled = async {
        if let Err(e) = memory::refresh_open(&app, &memory::Look::All, "the service was started").await {
            tracing::error!(detail = e.detail, "open listings were not assessed again");
        }
    };
    let tidied = async {
        loop {
            let before = Timestamp::now().checked_sub(KEPT).unwrap_or(Timestamp::MIN);
            if let Err(e) = memory.store().purge_requests(before).await {
                tracing::warn!(detail = e.detail(), "old answers were not thrown away");
            }
            tokio::time::sleep(TIDIED).await;
        }
    };
    let mut draining = app.draining();
    let calibrated = async {
        // A fit would be waited for to its end: it is left at once, for whoever starts next.
        tokio::select! {
            () = calibration::work(memory.clone(), app.calibrations_queued().clone()) => {}
            _ = draining.wait_for(|d| *d) => {}
        }
    };
    tokio::join!(settled, tidied, calibrated, polling::work(app.clone()));
}
