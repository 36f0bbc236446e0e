//! Where a feed may be fetched from: nothing inside this machine or a network it is part of.
//!
//! A URL is judged twice. [`Guard::check`] looks at its form, before anything is looked up:
//! `http` or `https`, no user or password, no name that only the local network knows, no address
//! that is not public. [`Guard::admits`] then judges every address, literal or looked up, at the
//! moment of connecting ([`super::connect`]), so that a name which leads elsewhere a second later
//! gains nothing.
//!
//! What the owner allows is named exactly, host and port ([`Exception`]):
//!
//! ```
//! use steelyard::feed::Guard;
//!
//! let guard = Guard::new(["127.0.0.1:9000".parse()?], Vec::new());
//! assert!(guard.check("http://127.0.0.1:9000/watches.json").is_ok());
//! assert!(guard.check("http://127.0.0.1:9001/watches.json").is_err());
//! assert!(guard.check("http://0x7f.1/watches.json").is_err());
//! assert!(guard.check("https://shop.example/watches.json").is_ok());
//! # Ok::<(), steelyard::feed::Refusal>(())
//! ```

use axum::http::Uri;
use ipnet::{IpNet, Ipv4Net, Ipv6Net};
use std::collections::HashSet;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::str::FromStr;
use url::{Host, Url};

/// The most bytes a feed's URL may hold.
pub const MOST_URL_BYTES: usize = 2_000;

const fn v4(a: u8, b: u8, c: u8, d: u8, length: u8) -> Ipv4Net {
    Ipv4Net::new_assert(Ipv4Addr::new(a, b, c, d), length)
}

const fn v6(s: [u16; 4], length: u8) -> Ipv6Net {
    Ipv6Net::new_assert(Ipv6Addr::new(s[0], s[1], s[2], s[3], 0, 0, 0, 0), length)
}

/// IANA IPv4 Special-Purpose Address Registry (RFC 6890), every block of it, reachable or not: no
/// feed is served from one. Multicast has a registry of its own.
const SPECIAL_V4: [Ipv4Net; 17] = [
    v4(0, 0, 0, 0, 8),       // "this network", RFC 791
    v4(10, 0, 0, 0, 8),      // private, RFC 1918
    v4(100, 64, 0, 0, 10),   // shared by carriers' NAT, RFC 6598
    v4(127, 0, 0, 0, 8),     // loopback, RFC 1122
    v4(169, 254, 0, 0, 16),  // link-local, RFC 3927; clouds answer for their machines here
    v4(172, 16, 0, 0, 12),   // private, RFC 1918
    v4(192, 0, 0, 0, 24),    // protocol assignments, RFC 6890
    v4(192, 0, 2, 0, 24),    // documentation, RFC 5737
    v4(192, 31, 196, 0, 24), // AS112, RFC 7535
    v4(192, 52, 193, 0, 24), // AMT, RFC 7450
    v4(192, 88, 99, 0, 24),  // 6to4 relays, RFC 7526
    v4(192, 168, 0, 0, 16),  // private, RFC 1918
    v4(192, 175, 48, 0, 24), // AS112, RFC 7534
    v4(198, 18, 0, 0, 15),   // benchmarking, RFC 2544
    v4(198, 51, 100, 0, 24), // documentation, RFC 5737
    v4(203, 0, 113, 0, 24),  // documentation, RFC 5737
    v4(240, 0, 0, 0, 4),     // reserved, RFC 1112, and the limited broadcast, RFC 8190
];

/// IANA IPv4 Multicast Address Space Registry, RFC 5771.
const MULTICAST_V4: Ipv4Net = v4(224, 0, 0, 0, 4);

/// An address that looks public and is not: a large cloud's own services answer its virtual
/// machines here (the vendor's documentation, "What is IP address 168.63.129.16?"; from memory).
const CLOUD_HOST: Ipv4Addr = Ipv4Addr::new(168, 63, 129, 16);

/// The only IPv6 space that IANA gives out as global unicast (Internet Protocol Version 6 Address
/// Space registry, RFC 4291). Outside it: loopback, unspecified, IPv4-mapped and -compatible,
/// discard-only, SRv6, unique-local, link-local, site-local, multicast.
const GLOBAL_V6: Ipv6Net = v6([0x2000, 0, 0, 0], 3);

/// IANA IPv6 Special-Purpose Address Registry (RFC 6890): its blocks inside [`GLOBAL_V6`].
const SPECIAL_V6: [Ipv6Net; 5] = [
    v6([0x2001, 0, 0, 0], 23),     // protocol assignments, RFC 2928: Teredo, benchmarking, ORCHID
    v6([0x2001, 0xdb8, 0, 0], 32), // documentation, RFC 3849
    v6([0x2002, 0, 0, 0], 16),     // 6to4, RFC 3056: any IPv4 address may hide in it
    v6([0x2620, 0x4f, 0x8000, 0], 48), // AS112, RFC 7534
    v6([0x3fff, 0, 0, 0], 20),     // documentation, RFC 9637
];

/// The well-known NAT64 prefix, RFC 6052: the last 32 bits are the IPv4 address meant. Its local
/// sibling 64:ff9b:1::/48 (RFC 8215) is not public.
const NAT64: Ipv6Net = v6([0x64, 0xff9b, 0, 0], 96);

/// Names that mean this machine or its network, however they resolve; asking for one may already
/// ask the neighbours. RFC 6761, RFC 6762, RFC 8375, and ICANN's reservation of 2024-07-29.
const LOCAL_NAMES: [&str; 4] = ["localhost", "local", "home.arpa", "internal"];

/// Why a URL is not fetched.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// No URL.
    #[error("not a URL: {0}")]
    NotUrl(url::ParseError),
    /// Too long.
    #[error("a feed's URL may hold {MOST_URL_BYTES} bytes")]
    TooLong,
    /// A scheme other than the two.
    #[error("a feed is fetched over http or https, not {0}")]
    Scheme(String),
    /// User or password.
    #[error("a feed's URL may hold no user and no password")]
    UserInfo,
    /// One that two readers of URLs understand differently.
    #[error("the URL can be read in more than one way")]
    Ambiguous,
    /// A name or address of this machine or the networks it is part of.
    #[error("`{0}` leads to no public address, and STEELYARD_FEED_EXCEPTIONS does not name it")]
    Inside(String),
    /// An exception that is none.
    #[error("not a host and a port, such as 127.0.0.1:9000: `{0}`")]
    Exception(String),
}

/// A host and port that may be fetched from wherever it leads: one entry of
/// `STEELYARD_FEED_EXCEPTIONS`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Exception {
    host: Host,
    port: u16,
}

impl FromStr for Exception {
    type Err = Refusal;

    fn from_str(text: &str) -> Result<Self, Refusal> {
        let read = |text: &str| {
            let (host, port) = text.rsplit_once(':')?;
            Some(Self { host: Host::parse(host).ok()?, port: port.parse().ok()? })
        };
        read(text.trim()).ok_or_else(|| Refusal::Exception(text.into()))
    }
}

/// Decides which URLs and addresses may be fetched from.
#[derive(Debug, Clone, Default)]
pub struct Guard {
    exceptions: HashSet<Exception>,
    attached: Vec<IpNet>,
}

impl Guard {
    /// A guard with these exceptions. `attached` are networks that this machine is part of, closed
    /// though their addresses be public; [`attached`] finds them.
    pub fn new(exceptions: impl IntoIterator<Item = Exception>, attached: Vec<IpNet>) -> Self {
        Self { exceptions: exceptions.into_iter().collect(), attached }
    }

    /// The URL in its normal form, without a fragment. Asks nobody where a name leads.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn check(&self, text: &str) -> Result<Url, Refusal> {
        if text.len() > MOST_URL_BYTES {
            return Err(Refusal::TooLong);
        }
        let mut url = Url::parse(text).map_err(Refusal::NotUrl)?;
        if !matches!(url.scheme(), "http" | "https") {
            return Err(Refusal::Scheme(url.scheme().into()));
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err(Refusal::UserInfo);
        }
        url.set_fragment(None);
        let uri: Uri = url.as_str().parse().map_err(|_| Refusal::Ambiguous)?;
        let (host, port) = destination(&uri)?;
        if url.host().map(|h| h.to_owned()) != Some(host.clone()) || url.port_or_known_default() != Some(port) {
            return Err(Refusal::Ambiguous);
        }
        let public = match &host {
            Host::Domain(name) => !is_local_name(name),
            Host::Ipv4(ip) => self.is_public((*ip).into()),
            Host::Ipv6(ip) => self.is_public((*ip).into()),
        };
        if public || self.excepts(&host, port) { Ok(url) } else { Err(Refusal::Inside(host.to_string())) }
    }

    /// Whether a connection to `ip` may be opened, asked for as `host` and `port`.
    #[must_use]
    pub fn admits(&self, host: &Host, port: u16, ip: IpAddr) -> bool {
        self.admits_beside(host, port, ip, &[])
    }

    /// The same where the machine is part of other networks by now.
    #[must_use]
    pub fn admits_beside(&self, host: &Host, port: u16, ip: IpAddr, attached: &[IpNet]) -> bool {
        let ip = meant(ip);
        let inside = attached.iter().any(|n| n.contains(&ip));
        (self.is_public(ip) && !inside) || self.excepts(host, port)
    }

    fn excepts(&self, host: &Host, port: u16) -> bool {
        self.exceptions.contains(&Exception { host: host.clone(), port })
    }

    fn is_public(&self, ip: IpAddr) -> bool {
        let ip = meant(ip);
        let ordinary = match ip {
            IpAddr::V4(ip) => {
                !MULTICAST_V4.contains(&ip) && ip != CLOUD_HOST && !SPECIAL_V4.iter().any(|n| n.contains(&ip))
            }
            IpAddr::V6(ip) => GLOBAL_V6.contains(&ip) && !SPECIAL_V6.iter().any(|n| n.contains(&ip)),
        };
        ordinary && !self.attached.iter().any(|n| n.contains(&ip))
    }
}

/// The address that is meant: it may be written inside an IPv6 one.
fn meant(ip: IpAddr) -> IpAddr {
    match ip {
        IpAddr::V6(ip) if NAT64.contains(&ip) => {
            let [.., a, b, c, d] = ip.octets();
            Ipv4Addr::new(a, b, c, d).into()
        }
        ip => ip.to_canonical(),
    }
}

/// The host and port that a client connects to for this URI.
pub(super) fn destination(uri: &Uri) -> Result<(Host, u16), Refusal> {
    let host = Host::parse(uri.host().unwrap_or_default()).map_err(Refusal::NotUrl)?;
    let port = match (uri.port(), uri.scheme_str()) {
        (Some(port), _) => port.as_u16(),
        (None, Some("https")) => 443,
        (None, _) => 80,
    };
    Ok((host, port))
}

/// Whether only the local network can know the name: one of the reserved ones, or a name without
/// a dot, which the resolver would complete by the network's own domain.
fn is_local_name(name: &str) -> bool {
    let name = name.strip_suffix('.').unwrap_or(name);
    !name.contains('.')
        || LOCAL_NAMES.iter().any(|l| name.strip_suffix(l).is_some_and(|rest| rest.is_empty() || rest.ends_with('.')))
}

/// The networks that this machine's interfaces are part of.
///
/// # Errors
/// If the system does not tell.
pub fn attached() -> io::Result<Vec<IpNet>> {
    let nets = if_addrs::get_if_addrs()?.into_iter().filter_map(|i| match i.addr {
        if_addrs::IfAddr::V4(a) => IpNet::new(a.ip.into(), a.prefixlen).ok(),
        if_addrs::IfAddr::V6(a) => IpNet::new(a.ip.into(), a.prefixlen).ok(),
    });
    Ok(nets.collect())
}
