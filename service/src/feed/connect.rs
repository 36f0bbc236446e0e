//! Every connection a feed is fetched over: looked up once, judged, and opened to the very address
//! that was judged.
//!
//! An HTTP client library keeps look-up and connecting to itself and passes addresses written in
//! the URL by any resolver, so a guard around it has two doors to watch. Here is one: whatever the
//! URL says becomes a list of addresses, the guard strikes out what it does not admit, and only
//! what is left is dialled. There is no proxy and nothing follows a redirect.

use super::guard::{Guard, Refusal, attached, destination};
use axum::http::Uri;
use hyper_util::rt::TokioIo;
use ipnet::IpNet;
use std::future::Future;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::net::TcpStream;
use tower::Service;
use url::Host;

/// The two things that leave the process, and where they would arrive.
pub trait Network: Clone + Send + Sync + 'static {
    /// The addresses of a name.
    fn resolve(&self, name: &str) -> impl Future<Output = io::Result<Vec<IpAddr>>> + Send;

    /// Opens a connection.
    fn connect(&self, to: SocketAddr) -> impl Future<Output = io::Result<TcpStream>> + Send;

    /// The networks that this machine is part of now: they come and go while the process runs.
    ///
    /// # Errors
    /// If the system does not tell. Then nothing is connected to.
    fn attached(&self) -> io::Result<Vec<IpNet>>;
}

/// The system's resolver and sockets.
#[derive(Debug, Clone, Copy, Default)]
pub struct System;

impl Network for System {
    async fn resolve(&self, name: &str) -> io::Result<Vec<IpAddr>> {
        Ok(tokio::net::lookup_host((name, 0)).await?.map(|a| a.ip()).collect())
    }

    async fn connect(&self, to: SocketAddr) -> io::Result<TcpStream> {
        TcpStream::connect(to).await
    }

    fn attached(&self) -> io::Result<Vec<IpNet>> {
        attached()
    }
}

/// Opens connections to what the guard admits, within a time.
#[derive(Debug, Clone)]
pub struct Connector<N> {
    guard: Arc<Guard>,
    network: N,
    within: Duration,
}

type Fault = Box<dyn std::error::Error + Send + Sync>;

impl<N: Network> Connector<N> {
    /// A connector behind a guard.
    pub fn new(guard: Arc<Guard>, network: N, within: Duration) -> Self {
        Self { guard, network, within }
    }

    async fn open(&self, uri: &Uri) -> Result<TcpStream, Fault> {
        let (host, port) = destination(uri)?;
        let addresses = match &host {
            Host::Domain(name) => self.network.resolve(name).await?,
            Host::Ipv4(ip) => vec![(*ip).into()],
            Host::Ipv6(ip) => vec![(*ip).into()],
        };
        let attached = self.network.attached()?;
        let mut fault: Fault = Refusal::Inside(host.to_string()).into();
        // What is public may be connected to, though the same name has addresses inside as well.
        for ip in addresses.into_iter().filter(|ip| self.guard.admits_beside(&host, port, *ip, &attached)) {
            match self.network.connect((ip, port).into()).await {
                Ok(stream) => return Ok(stream),
                Err(e) => fault = e.into(),
            }
        }
        Err(fault)
    }
}

impl<N: Network> Service<Uri> for Connector<N> {
    type Response = TokioIo<TcpStream>;
    type Error = Fault;
    type Future = Pin<Box<dyn Future<Output = Result<Self::Response, Fault>> + Send>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Fault>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, uri: Uri) -> Self::Future {
        let this = self.clone();
        Box::pin(async move {
            let opened = tokio::time::timeout(this.within, this.open(&uri)).await;
            Ok(TokioIo::new(opened.map_err(|_| io::Error::from(io::ErrorKind::TimedOut))??))
        })
    }
}
