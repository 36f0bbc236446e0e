//! Networks that cannot leave the machine.

#![allow(dead_code, reason = "every test takes the part it needs")]

use ipnet::IpNet;
use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex};
use steelyard::feed::Network;
use tokio::net::TcpStream;

/// Resolves from a table; notes what it is asked and connects nowhere.
#[derive(Debug, Clone, Default)]
pub(crate) struct Recorder {
    /// For each name its answers, one a look-up; the last is repeated.
    names: Arc<HashMap<String, Vec<Vec<IpAddr>>>>,
    looked_up: Arc<Mutex<Vec<String>>>,
    dialled: Arc<Mutex<Vec<SocketAddr>>>,
    attached: Arc<Mutex<Vec<IpNet>>>,
}

impl Recorder {
    /// From here on the machine is part of this network too.
    pub(crate) fn attach(&self, network: &str) {
        self.attached.lock().unwrap().push(network.parse().unwrap());
    }

    /// One that knows a name by what it answers at the first look-up, the second and so on; asking
    /// what was looked up begins anew.
    pub(crate) fn knowing(name: &str, answers: &[&[&str]]) -> Self {
        let answers = answers.iter().map(|a| a.iter().map(|ip| ip.parse().unwrap()).collect()).collect();
        Self { names: Arc::new(HashMap::from([(name.to_owned(), answers)])), ..Self::default() }
    }

    /// One that knows several names by an address each.
    pub(crate) fn knowing_all<'a>(names: impl IntoIterator<Item = (String, &'a str)>) -> Self {
        let names = names.into_iter().map(|(name, ip)| (name, vec![vec![ip.parse().unwrap()]])).collect();
        Self { names: Arc::new(names), ..Self::default() }
    }

    /// The names looked up since it was last asked.
    pub(crate) fn looked_up(&self) -> Vec<String> {
        std::mem::take(&mut self.looked_up.lock().unwrap())
    }

    /// The addresses dialled since it was last asked.
    pub(crate) fn dialled(&self) -> Vec<SocketAddr> {
        std::mem::take(&mut self.dialled.lock().unwrap())
    }
}

impl Network for Recorder {
    async fn resolve(&self, name: &str) -> io::Result<Vec<IpAddr>> {
        let mut looked_up = self.looked_up.lock().unwrap();
        let before = looked_up.iter().filter(|n| *n == name).count();
        looked_up.push(name.to_owned());
        let answers = self.names.get(name).ok_or(io::ErrorKind::NotFound)?;
        Ok(answers[before.min(answers.len() - 1)].clone())
    }

    async fn connect(&self, to: SocketAddr) -> io::Result<TcpStream> {
        self.dialled.lock().unwrap().push(to);
        Err(io::ErrorKind::ConnectionRefused.into())
    }

    fn attached(&self) -> io::Result<Vec<IpNet>> {
        Ok(self.attached.lock().unwrap().clone())
    }
}

/// Resolves every name to 127.0.0.1, connects to loopback alone and notes what it is asked.
#[derive(Debug, Clone, Default)]
pub(crate) struct Loopback {
    dialled: Arc<Mutex<Vec<SocketAddr>>>,
}

impl Loopback {
    /// The addresses dialled since it was last asked.
    pub(crate) fn dialled(&self) -> Vec<SocketAddr> {
        std::mem::take(&mut self.dialled.lock().unwrap())
    }
}

impl Network for Loopback {
    async fn resolve(&self, _: &str) -> io::Result<Vec<IpAddr>> {
        Ok(vec![[127, 0, 0, 1].into()])
    }

    async fn connect(&self, to: SocketAddr) -> io::Result<TcpStream> {
        self.dialled.lock().unwrap().push(to);
        assert!(to.ip().to_canonical().is_loopback(), "would leave the machine: {to}");
        TcpStream::connect(to).await
    }

    fn attached(&self) -> io::Result<Vec<IpNet>> {
        Ok(Vec::new())
    }
}
