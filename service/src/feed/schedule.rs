//! When a feed is polled next: a pure function of how the poll went, a given time and a seed.
//!
//! After a poll that went well the next follows after the feed's own interval, up to a tenth later
//! so that feeds saved together drift apart. After the n-th failure in a row it follows after
//!
//! ```text
//! d = min(RETRY_FIRST · 2^(n-1), MOST_WAIT),   drawn uniformly from [d/2, d],
//! ```
//!
//! and never before the time the server named in `Retry-After`, heeded up to [`MOST_WAIT`]. After
//! [`MOST_FAILURES`] failures in a row the feed rests until someone polls it by hand; so does one that says
//! it has ended. A feed that is gone (410) has failed and is polled no more.
//!
//! ```
//! use rand_core::SeedableRng as _;
//! use steelyard::feed::{Every, Outcome, Schedule};
//!
//! let now = "2026-11-24T21:00:00Z".parse()?;
//! let mut random = rand_pcg::Pcg64Mcg::seed_from_u64(1);
//! let schedule = Schedule::new(now).after(&Outcome::Read, Every::seconds(900)?, now, &mut random);
//! let wait = schedule.next_poll_at.unwrap().duration_since(now).as_secs();
//! assert!((900..=990).contains(&wait));
//! # Ok::<(), anyhow::Error>(())
//! ```

use jiff::{SignedDuration, Timestamp};
use rand_core::RngCore;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Failures in a row after which a feed rests.
pub const MOST_FAILURES: u32 = 10;

/// The longest wait after the first failure. Ten in a row then take 21 to 43 hours: a host may be
/// away for a night.
pub const RETRY_FIRST: SignedDuration = SignedDuration::from_mins(5);

/// The longest wait after any failure, and the longest a server can ask for.
pub const MOST_WAIT: SignedDuration = SignedDuration::from_hours(24);

/// Seconds between polls of one feed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Every(u32);

/// An interval that is too short or too long.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a feed is polled every {least} to {most} seconds, not every {0}", least = Every::LEAST, most = Every::MOST)]
pub struct BadEvery(pub u32);

impl Every {
    /// The shortest interval, s.
    pub const LEAST: u32 = 60;
    /// The longest interval, s: a week.
    pub const MOST: u32 = 7 * 24 * 3600;

    /// An interval.
    ///
    /// # Errors
    /// Outside the limits.
    pub fn seconds(seconds: u32) -> Result<Self, BadEvery> {
        if (Self::LEAST..=Self::MOST).contains(&seconds) { Ok(Self(seconds)) } else { Err(BadEvery(seconds)) }
    }
}

/// Whether a feed is polled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// At its time.
    Active,
    /// Only by hand: it failed too often, or says that it has ended.
    Resting,
    /// No more: it is gone.
    Failed,
}

/// When a server asks to be asked again, from `Retry-After` (RFC 9110 section 10.2.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RetryAfter {
    /// After so many seconds.
    Seconds(u64),
    /// At a time.
    At(Timestamp),
}

impl RetryAfter {
    /// Reads the header's value: seconds, or an HTTP date in any of its three forms.
    #[must_use]
    pub fn read(value: &str) -> Option<Self> {
        let value = value.trim();
        if !value.is_empty() && value.bytes().all(|b| b.is_ascii_digit()) {
            // More digits than a u64 holds are still a very long time.
            return Some(Self::Seconds(value.parse().unwrap_or(u64::MAX)));
        }
        Timestamp::try_from(httpdate::parse_http_date(value).ok()?).ok().map(Self::At)
    }

    fn wait(self, now: Timestamp) -> SignedDuration {
        let wait = match self {
            Self::Seconds(s) => SignedDuration::from_secs(i64::try_from(s).unwrap_or(i64::MAX)),
            Self::At(time) => time.duration_since(now),
        };
        wait.clamp(SignedDuration::ZERO, MOST_WAIT)
    }
}

/// How a poll went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// Read, or unchanged.
    Read,
    /// Read, and the feed says that it will not change again.
    Ended,
    /// Answered 410 Gone.
    Gone,
    /// Anything else.
    Failed {
        /// Why, in words.
        error: String,
        /// When to ask again, if the server said.
        retry_after: Option<RetryAfter>,
    },
}

/// What is known of a feed's polls.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Schedule {
    /// Whether it is polled.
    pub state: State,
    /// Failures since it was last read.
    pub failures: u32,
    /// When it is due; never, unless it is active.
    pub next_poll_at: Option<Timestamp>,
    /// What went wrong last, or why it is not polled.
    pub last_error: Option<String>,
}

impl Schedule {
    /// A new feed: due at once.
    #[must_use]
    pub fn new(now: Timestamp) -> Self {
        Self { state: State::Active, failures: 0, next_poll_at: Some(now), last_error: None }
    }

    /// Whether it is to be polled now.
    #[must_use]
    pub fn is_due(&self, now: Timestamp) -> bool {
        self.next_poll_at.is_some_and(|at| at <= now)
    }

    /// The schedule after a poll that ended at `now`, whoever asked for it.
    #[must_use]
    pub fn after(&self, outcome: &Outcome, every: Every, now: Timestamp, random: &mut impl RngCore) -> Self {
        let stopped =
            |state, failures, why: String| Self { state, failures, next_poll_at: None, last_error: Some(why) };
        match outcome {
            Outcome::Read => {
                let every = SignedDuration::from_secs(every.0.into());
                let wait = every + every.mul_f64(0.1 * unit(random));
                Self { next_poll_at: Some(later(now, wait)), ..Self::new(now) }
            }
            Outcome::Ended => stopped(State::Resting, 0, "the feed says that it has ended".into()),
            Outcome::Gone => stopped(
                State::Failed,
                self.failures.saturating_add(1),
                "the feed is gone (410): it is not polled any more".into(),
            ),
            Outcome::Failed { error, retry_after } => {
                let failures = self.failures.saturating_add(1);
                if failures >= MOST_FAILURES {
                    let why =
                        format!("{error}; after {failures} failures in a row it rests until it is polled by hand");
                    return stopped(State::Resting, failures, why);
                }
                let longest = (RETRY_FIRST * 2_i32.pow(failures - 1)).min(MOST_WAIT);
                let wait = longest.mul_f64(0.5 + 0.5 * unit(random));
                let asked = retry_after.map_or(SignedDuration::ZERO, |r| r.wait(now));
                Self {
                    state: State::Active,
                    failures,
                    next_poll_at: Some(later(now, wait.max(asked))),
                    last_error: Some(error.clone()),
                }
            }
        }
    }
}

/// A time after another; the end of time, if it lies beyond.
fn later(now: Timestamp, wait: SignedDuration) -> Timestamp {
    now.saturating_add(wait).unwrap_or(Timestamp::MAX)
}

/// Uniform on [0, 1).
fn unit(random: &mut impl RngCore) -> f64 {
    // 53 bits, the precision of a double.
    (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand_core::SeedableRng as _;
    use rand_pcg::Pcg64Mcg;

    const EVERY: Every = Every(900);

    fn start() -> Timestamp {
        "2026-11-24T21:00:00Z".parse().unwrap()
    }

    fn failed(retry_after: Option<RetryAfter>) -> Outcome {
        Outcome::Failed { error: "no answer".into(), retry_after }
    }

    fn wait(schedule: &Schedule, now: Timestamp) -> f64 {
        schedule.next_poll_at.unwrap().duration_since(now).as_secs_f64()
    }

    #[test]
    fn a_new_feed_is_due_at_once_and_then_after_its_interval() {
        let (now, mut random) = (start(), Pcg64Mcg::seed_from_u64(7));
        let new = Schedule::new(now);
        assert!(new.is_due(now));
        let read = new.after(&Outcome::Read, EVERY, now, &mut random);
        assert!(!read.is_due(now + SignedDuration::from_secs(899)));
        assert!(read.is_due(now + SignedDuration::from_secs(990)));
    }

    #[test]
    fn waits_double_after_failures_and_the_tenth_in_a_row_rests_and_says_so() {
        let (mut now, mut random) = (start(), Pcg64Mcg::seed_from_u64(7));
        let mut schedule = Schedule::new(now);
        for n in 1..MOST_FAILURES {
            schedule = schedule.after(&failed(None), EVERY, now, &mut random);
            assert_eq!((schedule.state, schedule.failures), (State::Active, n));
            let longest = 300.0 * f64::from(2_i32.pow(n - 1));
            let wait = wait(&schedule, now);
            assert!(longest / 2.0 <= wait && wait <= longest, "failure {n}: {wait} s");
            now = schedule.next_poll_at.unwrap();
        }
        let resting = schedule.after(&failed(None), EVERY, now, &mut random);
        assert_eq!((resting.state, resting.failures, resting.next_poll_at), (State::Resting, 10, None));
        assert!(!resting.is_due(Timestamp::MAX));
        let says = resting.last_error.as_deref().unwrap();
        assert!(
            says.contains("no answer") && says.contains("10 failures in a row") && says.contains("rests"),
            "{says}"
        );

        // By hand: a failure more and it rests still, a success and it is active again.
        assert_eq!(resting.after(&failed(None), EVERY, now, &mut random).state, State::Resting);
        let woken = resting.after(&Outcome::Read, EVERY, now, &mut random);
        assert_eq!((woken.state, woken.failures, woken.last_error.as_deref()), (State::Active, 0, None));
        assert!(woken.next_poll_at.is_some());
    }

    /// Or all who were turned away at once would come again at once.
    #[test]
    fn waits_are_spread_over_half_a_retry_and_a_tenth_of_an_interval() {
        let new = Schedule::new(start());
        for (outcome, least, most) in [(failed(None), 150.0, 300.0), (Outcome::Read, 900.0, 990.0)] {
            let mut waits: Vec<f64> = (0..200)
                .map(|seed| wait(&new.after(&outcome, EVERY, start(), &mut Pcg64Mcg::seed_from_u64(seed)), start()))
                .collect();
            waits.sort_by(f64::total_cmp);
            assert!(least <= waits[0] && waits[199] <= most, "{waits:?}");
            // Uniform draws leave a gap of a tenth of the range with probability 200 · 0.9^199 < 2e-7.
            let gaps = waits.windows(2).map(|w| w[1] - w[0]);
            let ends = [waits[0] - least, most - waits[199]];
            assert!(gaps.chain(ends).all(|gap| gap < (most - least) / 10.0), "{waits:?}");
        }
    }

    #[test]
    fn one_success_forgets_the_failures() {
        let (now, mut random) = (start(), Pcg64Mcg::seed_from_u64(7));
        let mut schedule = Schedule::new(now);
        for _ in 0..9 {
            schedule = schedule.after(&failed(None), EVERY, now, &mut random);
        }
        schedule = schedule.after(&Outcome::Read, EVERY, now, &mut random);
        schedule = schedule.after(&failed(None), EVERY, now, &mut random);
        assert_eq!((schedule.state, schedule.failures), (State::Active, 1));
    }

    #[test]
    fn gone_ends_and_ended_rests() {
        let (now, mut random) = (start(), Pcg64Mcg::seed_from_u64(7));
        let gone = Schedule::new(now).after(&Outcome::Gone, EVERY, now, &mut random);
        assert_eq!((gone.state, gone.next_poll_at), (State::Failed, None));
        let ended = Schedule::new(now).after(&Outcome::Ended, EVERY, now, &mut random);
        assert_eq!((ended.state, ended.failures, ended.next_poll_at), (State::Resting, 0, None));
    }

    #[test]
    fn retry_after_is_read_as_rfc_9110_section_10_2_3_writes_it() {
        // The two examples of that section, and the obsolete forms of section 5.6.7.
        let at = |text: &str| Some(RetryAfter::At(text.parse().unwrap()));
        assert_eq!(RetryAfter::read("120"), Some(RetryAfter::Seconds(120)));
        assert_eq!(RetryAfter::read("Fri, 31 Dec 1999 23:59:59 GMT"), at("1999-12-31T23:59:59Z"));
        for date in ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"] {
            assert_eq!(RetryAfter::read(date), at("1994-11-06T08:49:37Z"), "{date}");
        }
        assert_eq!(RetryAfter::read(&"9".repeat(30)), Some(RetryAfter::Seconds(u64::MAX)));
        for nothing in ["", "-1", "1.5", "soon", "Fri, 31 Dec 1999"] {
            assert_eq!(RetryAfter::read(nothing), None, "{nothing}");
        }
    }

    #[test]
    fn a_server_is_heeded_for_a_day_and_no_longer_and_cannot_hurry_anyone() {
        let (now, mut random) = (start(), Pcg64Mcg::seed_from_u64(7));
        let mut after = |r| wait(&Schedule::new(now).after(&failed(Some(r)), EVERY, now, &mut random), now);
        assert_eq!(after(RetryAfter::Seconds(3_600)), 3_600.0);
        assert_eq!(after(RetryAfter::At(now + SignedDuration::from_hours(2))), 7_200.0);
        for never in [RetryAfter::Seconds(u64::MAX), RetryAfter::At(Timestamp::MAX)] {
            assert_eq!(after(never), 86_400.0);
        }
        for hurry in [RetryAfter::Seconds(0), RetryAfter::At(Timestamp::MIN)] {
            assert!(after(hurry) >= 150.0);
        }
    }

    #[test]
    fn an_interval_is_a_minute_to_a_week() {
        for (seconds, fits) in
            [(0, false), (59, false), (60, true), (604_800, true), (604_801, false), (u32::MAX, false)]
        {
            assert_eq!(Every::seconds(seconds).is_ok(), fits, "{seconds}");
        }
    }

    fn any_outcome() -> impl Strategy<Value = Outcome> {
        let at = (-1_000_000_000_i64..100_000_000_000).prop_map(|s| RetryAfter::At(Timestamp::from_second(s).unwrap()));
        let retry_after = proptest::option::of(prop_oneof![any::<u64>().prop_map(RetryAfter::Seconds), at]);
        prop_oneof![4 => Just(Outcome::Read), 1 => Just(Outcome::Ended), 1 => Just(Outcome::Gone),
            8 => retry_after.prop_map(failed)]
    }

    proptest! {
        /// On a clock that moves from poll to poll, early polls by hand included.
        #[test]
        fn a_feed_is_never_due_earlier_than_allowed(
            outcomes in proptest::collection::vec((any_outcome(), 0_i64..200_000), 1..40),
            every in Every::LEAST..=Every::MOST,
            seed: u64,
        ) {
            let mut random = Pcg64Mcg::seed_from_u64(seed);
            let mut now = start();
            let mut schedule = Schedule::new(now);
            for (outcome, passes) in outcomes {
                schedule = schedule.after(&outcome, Every(every), now, &mut random);
                prop_assert_eq!(schedule.next_poll_at.is_some(), schedule.state == State::Active);
                if let Some(next) = schedule.next_poll_at {
                    let least = match &outcome {
                        Outcome::Failed { retry_after, .. } => {
                            let backoff = SignedDuration::from_secs(150 << (schedule.failures - 1));
                            match *retry_after {
                                Some(RetryAfter::Seconds(s)) => backoff.max(SignedDuration::from_secs(s.min(86_400) as i64)),
                                Some(RetryAfter::At(t)) => backoff.max(t.min(now + MOST_WAIT).duration_since(now)),
                                None => backoff,
                            }
                        }
                        _ => SignedDuration::from_secs(every.into()),
                    };
                    prop_assert!(next >= now + least, "{outcome:?}: due after {:?}", next.duration_since(now));
                    prop_assert!(!schedule.is_due(now + least - SignedDuration::from_nanos(1)));
                }
                now += SignedDuration::from_secs(passes);
            }
        }

        #[test]
        fn no_header_panics(value: String) {
            let _ = RetryAfter::read(&value);
        }
    }
}
