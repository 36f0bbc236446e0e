//! From what somebody saw to a likelihood.
//!
//! A call may be wrong, and a small blurred photo makes it weak, whichever way it goes:
//!
//! ```text
//! se = D·a + (1−D)·g        P(call present | sign present)
//! fa = D·b + (1−D)·g        P(call present | sign absent)
//! ```
//!
//! D is the chance that the detail could be resolved; as D → 0 every likelihood ratio → 1:
//! what cannot be seen proves nothing, in either direction.
//!
//! ```
//! use steelyard_model::observe::resolvability;
//! // 500 pixels across a 33 mm dial: a hand's style, and a 0.1 mm paint edge.
//! let px_per_mm = 500.0 / 33.0;
//! assert!(resolvability(0.3 * px_per_mm / 2.0, 1.0) > 0.97);
//! assert!(resolvability(0.1 * px_per_mm / 2.0, 1.0) < 0.4);
//! ```

use crate::pack::data::Reading;
use crate::pack::{Index, Pack};

/// Pixels to a cycle: a line and its gap (Johnson 1958; "two pixels on a sampled display").
pub const PIXELS_PER_CYCLE: f64 = 2.0;

/// Watches from this year on carry no radium paint. Luminous watches before it are kept shut
/// (radium "until measured", common practice; regulators put the end in the 1960s).
pub const RADIUM_UNTIL: i32 = 1970;

/// The chance that a detail `cycles` line pairs across is resolved, N50 being the cycles at
/// which it is one half: the target transfer probability function of electro-optics,
/// x^E/(1+x^E) with x = N/N50 and E = 2.7 + 0.7·x (after Johnson 1958).
#[must_use]
pub fn resolvability(cycles: f64, n50: f64) -> f64 {
    1.0 / (1.0 + (-log_odds_resolved(cycles, n50)).exp())
}

/// The cycles at which a detail is resolved with this probability: the inverse of
/// [`resolvability`], to the last digit by halving.
///
/// ```
/// use steelyard_model::observe::{cycles_for, resolvability};
/// assert!((resolvability(cycles_for(0.9, 1.4), 1.4) - 0.9).abs() < 1e-12);
/// ```
#[must_use]
pub fn cycles_for(probability: f64, n50: f64) -> f64 {
    let wanted = (probability / (1.0 - probability)).ln();
    // x = N/N50 as a logarithm: beyond e^±10 every probability is 0 or 1.
    let (mut low, mut high) = (-10.0_f64, 10.0_f64);
    for _ in 0..64 {
        let half = f64::midpoint(low, high);
        if log_odds_resolved(half.exp(), 1.0) < wanted { low = half } else { high = half }
    }
    n50 * high.exp()
}

/// One less [`resolvability`], without cancellation.
#[must_use]
pub fn unresolvability(cycles: f64, n50: f64) -> f64 {
    1.0 / (1.0 + log_odds_resolved(cycles, n50).exp())
}

fn log_odds_resolved(cycles: f64, n50: f64) -> f64 {
    let x = cycles / n50;
    if x <= 0.0 {
        return f64::NEG_INFINITY;
    }
    (2.7 + 0.7 * x) * x.ln()
}

/// What was said of a sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Call {
    /// It is there.
    Present,
    /// It is not there.
    Absent,
}

/// A photo, as far as it says how small a detail it can show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Photo {
    /// The view it gives, if stated.
    pub view: Option<Index>,
    /// Pixels per millimetre; `None` where the photo has no width or scale at all.
    pub px_per_mm: Option<f64>,
    /// Share of the nominal resolution that is left after blur and compression.
    pub sharpness: f64,
}

impl Photo {
    /// The chance that this photo resolves the sign's detail; 1 where either size is unknown.
    #[must_use]
    pub fn resolves(&self, feature_mm: Option<f64>, n50: f64) -> f64 {
        match (feature_mm, self.px_per_mm) {
            (Some(mm), Some(px)) => resolvability(mm * px * self.sharpness / PIXELS_PER_CYCLE, n50),
            _ => 1.0,
        }
    }
}

/// How a call was made; the first of these that the caller gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Basis {
    /// The caller's own chance of being right, in [0.5, 1].
    Certainty(f64),
    /// With the watch in hand.
    InHand,
    /// From a photo.
    Photo(Photo),
    /// Not said, or derived from two stated facts.
    Unstated,
}

/// A call on a sign.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// The sign.
    pub sign: Index,
    /// What was said of it.
    pub call: Call,
    /// How it was made.
    pub basis: Basis,
}

/// What is stated of the watch itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Watch {
    /// Every trait of the pack: stated true, stated false, or not stated.
    pub traits: Vec<Option<bool>>,
    /// First of the years it is said to be from.
    pub first_year: Option<i32>,
}

impl Watch {
    /// A watch of which nothing is stated.
    #[must_use]
    pub fn unknown(pack: &Pack) -> Self {
        Self { traits: vec![None; pack.data().traits.len()], first_year: None }
    }

    /// Whether the case had better stay shut: luminous paint that may hold radium.
    #[must_use]
    pub fn keep_shut(&self, pack: &Pack) -> bool {
        let luminous = pack.luminous().and_then(|t| self.traits[t]) == Some(true);
        luminous && self.first_year.is_none_or(|y| y < RADIUM_UNTIL)
    }

    /// Whether gold is stated to be claimed.
    #[must_use]
    pub fn gold_claimed(&self, pack: &Pack) -> bool {
        pack.gold_claimed().and_then(|t| self.traits[t]) == Some(true)
    }
}

/// A call turned into a likelihood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likelihood {
    /// The sign.
    pub sign: Index,
    /// What was said of it.
    pub call: Call,
    /// D, the chance that the detail could be resolved; `None` for a call with a certainty.
    pub resolvable: Option<f64>,
    /// P(call | sign present).
    pub if_present: f64,
    /// P(call | sign absent).
    pub if_absent: f64,
    /// Whether two stated facts made the call: it was then not read off a photo by anybody.
    pub derived: bool,
}

impl Likelihood {
    /// P(call | state), where `present` is P(sign | state).
    #[inline]
    #[must_use]
    pub fn at(&self, present: f64) -> f64 {
        self.if_absent + (self.if_present - self.if_absent) * present
    }

    /// A call on a sign read perfectly sharp: what asking for a photo would bring.
    #[must_use]
    pub fn sharp(pack: &Pack, sign: Index, call: Call) -> Self {
        Self::from_rates(sign, call, rates(&pack.signs()[sign].reading, 1.0), Some(1.0))
    }

    /// Whether somebody read it off a photo or in hand, with the rates of the sign's reading class.
    #[must_use]
    pub fn is_read(&self) -> bool {
        self.resolvable.is_some() && !self.derived && !self.is_neutral()
    }

    /// Whether it says nothing at all, as of a watch that had better stay shut.
    #[must_use]
    pub fn is_neutral(&self) -> bool {
        self.if_present == 1.0 && self.if_absent == 1.0
    }

    fn from_rates(sign: Index, call: Call, (se, fa): (f64, f64), resolvable: Option<f64>) -> Self {
        let (if_present, if_absent) = match call {
            Call::Present => (se, fa),
            Call::Absent => (1.0 - se, 1.0 - fa),
        };
        Self { sign, call, resolvable, if_present, if_absent, derived: false }
    }

    /// A call that two stated facts make: read as class `plain` with D = 1, whatever the sign's own
    /// class, since nothing small had to be seen. A pack without that class reads it as the sign's own.
    #[must_use]
    pub fn derived(pack: &Pack, sign: Index, call: Call) -> Self {
        let reading = pack.data().readings.get(crate::facts::READING).unwrap_or(&pack.signs()[sign].reading);
        Self { derived: true, ..Self::from_rates(sign, call, rates(reading, 1.0), Some(1.0)) }
    }
}

/// What was found of a sign with the watch in hand, as a likelihood of the report.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finding {
    /// The sign.
    pub sign: Index,
    /// P(report | sign present).
    pub if_present: f64,
    /// P(report | sign absent).
    pub if_absent: f64,
}

impl Finding {
    /// A finding beyond doubt.
    #[must_use]
    pub fn certain(sign: Index, present: bool) -> Self {
        let (if_present, if_absent) = if present { (1.0, 0.0) } else { (0.0, 1.0) };
        Self { sign, if_present, if_absent }
    }

    /// Whether it leaves no doubt.
    #[must_use]
    pub fn is_certain(&self) -> bool {
        (self.if_present == 0.0) != (self.if_absent == 0.0)
    }
}

/// P(called present | sign present) and P(called present | sign absent) at resolvability D.
#[must_use]
pub fn rates(reading: &Reading, resolvable: f64) -> (f64, f64) {
    let blind = (1.0 - resolvable) * reading.g;
    (resolvable * reading.a + blind, resolvable * reading.b + blind)
}

/// Why an observation cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// The sign was called before.
    #[error("the sign `{sign}` has been called already, in observation {first}")]
    Duplicate {
        /// The sign.
        sign: String,
        /// Position of the first call.
        first: usize,
    },
    /// The same question was answered the other way round.
    #[error(
        "the sign `{sign}` is the same question as `{other}`, called in observation {first}: call only one of them"
    )]
    Excluded {
        /// The sign.
        sign: String,
        /// The sign it excludes.
        other: String,
        /// Position of that call.
        first: usize,
    },
    /// The watch is stated not to have what the sign is about.
    #[error("the sign `{sign}` applies only to a watch with the trait `{needed}`, which is stated false")]
    Trait {
        /// The sign.
        sign: String,
        /// The trait.
        needed: String,
    },
}

/// The evidence of one listing: at most one call a sign, none that excludes another.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    calls: Vec<Likelihood>,
}

impl Evidence {
    /// Reads observations into likelihoods.
    ///
    /// # Errors
    /// Every observation that cannot be read, by its position.
    pub fn read(pack: &Pack, watch: &Watch, observations: &[Observation]) -> Result<Self, Vec<(usize, Fault)>> {
        let mut faults = Vec::new();
        let mut called: Vec<Option<usize>> = vec![None; pack.signs().len()];
        let keep_shut = watch.keep_shut(pack);
        let mut calls = Vec::with_capacity(observations.len());
        for (i, o) in observations.iter().enumerate() {
            let sign = &pack.signs()[o.sign];
            if let Some(first) = called[o.sign] {
                faults.push((i, Fault::Duplicate { sign: sign.id.clone(), first }));
                continue;
            }
            if let Some((other, first)) = sign.excludes.iter().find_map(|&x| called[x].map(|f| (x, f))) {
                let other = pack.signs()[other].id.clone();
                faults.push((i, Fault::Excluded { sign: sign.id.clone(), other, first }));
            }
            called[o.sign] = Some(i);
            if let Some(t) = sign.applies_if.filter(|&t| watch.traits[t] == Some(false)) {
                let needed = pack.data().traits[t].clone();
                faults.push((i, Fault::Trait { sign: sign.id.clone(), needed }));
            }
            let mut read = likelihood(pack, o);
            if keep_shut && sign.neutral_when_shut {
                (read.if_present, read.if_absent) = (1.0, 1.0);
            }
            calls.push(read);
        }
        if faults.is_empty() { Ok(Self { calls }) } else { Err(faults) }
    }

    /// The calls, in the order given.
    #[must_use]
    pub fn calls(&self) -> &[Likelihood] {
        &self.calls
    }

    /// Whether a sign has been called.
    #[must_use]
    pub fn has(&self, sign: Index) -> bool {
        self.calls.iter().any(|c| c.sign == sign)
    }

    /// The same calls under the reading rates of another pack with the same signs.
    ///
    /// A call with a certainty of its own, and one that says nothing, stay as they are.
    #[must_use]
    pub fn reread(&self, pack: &Pack) -> Self {
        let read = |call: &Likelihood| match call.resolvable {
            Some(_) if call.derived => Likelihood::derived(pack, call.sign, call.call),
            Some(d) if !call.is_neutral() => {
                Likelihood::from_rates(call.sign, call.call, rates(&pack.signs()[call.sign].reading, d), Some(d))
            }
            _ => *call,
        };
        Self { calls: self.calls.iter().map(read).collect() }
    }

    /// The same evidence together with what was found of some signs in hand. A call that says
    /// nothing has no `resolvable` in it any more.
    #[must_use]
    pub fn settled(&self, found: &[Finding]) -> Self {
        let mut calls = self.calls.clone();
        for call in calls.iter_mut().filter(|c| c.is_neutral()) {
            call.resolvable = None;
        }
        for f in found {
            match calls.iter_mut().find(|c| c.sign == f.sign) {
                Some(call) => {
                    call.if_present *= f.if_present;
                    call.if_absent *= f.if_absent;
                }
                None => calls.push(Likelihood {
                    sign: f.sign,
                    call: if f.if_present >= f.if_absent { Call::Present } else { Call::Absent },
                    resolvable: None,
                    if_present: f.if_present,
                    if_absent: f.if_absent,
                    derived: false,
                }),
            }
        }
        Self { calls }
    }

    /// The same evidence with more calls, which must be on signs not called yet.
    #[must_use]
    pub fn with(&self, more: impl IntoIterator<Item = Likelihood>) -> Self {
        Self { calls: self.calls.iter().copied().chain(more).collect() }
    }
}

fn likelihood(pack: &Pack, o: &Observation) -> Likelihood {
    let sign = &pack.signs()[o.sign];
    let resolvable = match o.basis {
        Basis::Certainty(c) => {
            return Likelihood::from_rates(o.sign, o.call, (c, 1.0 - c), None);
        }
        Basis::InHand | Basis::Unstated => 1.0,
        Basis::Photo(photo) => photo.resolves(sign.feature_mm, sign.reading.n50_cycles),
    };
    Likelihood::from_rates(o.sign, o.call, rates(&sign.reading, resolvable), Some(resolvable))
}
