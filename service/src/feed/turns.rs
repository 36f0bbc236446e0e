//! Manners: one request at a time to a host, and a pause before the next.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::OwnedMutexGuard;
use tokio::time::Instant;

/// Who may ask a host, and when.
#[derive(Debug)]
pub(super) struct Turns {
    pause: Duration,
    /// For every host asked lately, when it may be asked again; locked while it is being asked.
    hosts: Mutex<HashMap<String, Arc<tokio::sync::Mutex<Instant>>>>,
}

/// A turn at a host; over when it goes out of scope.
pub(super) struct Turn {
    again_at: OwnedMutexGuard<Instant>,
    pause: Duration,
}

impl Drop for Turn {
    fn drop(&mut self) {
        *self.again_at = Instant::now() + self.pause;
    }
}

impl Turns {
    pub(super) fn new(pause: Duration) -> Self {
        Self { pause, hosts: Mutex::default() }
    }

    /// Waits for a turn, first come first served.
    pub(super) async fn take(&self, host: &str) -> Turn {
        let again_at = self.host(host).lock_owned().await;
        tokio::time::sleep_until(*again_at).await;
        Turn { again_at, pause: self.pause }
    }

    fn host(&self, host: &str) -> Arc<tokio::sync::Mutex<Instant>> {
        let now = Instant::now();
        // Nothing panics while it is held.
        let mut hosts = self.hosts.lock().unwrap_or_else(PoisonError::into_inner);
        hosts.retain(|_, at| Arc::strong_count(at) > 1 || at.try_lock().is_ok_and(|at| *at > now));
        hosts.entry(host.into()).or_insert_with(|| Arc::new(tokio::sync::Mutex::new(now))).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};

    const PAUSE: Duration = Duration::from_secs(1);
    const ASKING: Duration = Duration::from_secs(3);

    /// On tokio's paused clock.
    #[tokio::test(start_paused = true)]
    async fn a_host_is_asked_one_at_a_time_with_a_pause_and_others_do_not_wait() {
        let turns = Arc::new(Turns::new(PAUSE));
        let at_once = Arc::new(AtomicU32::new(0));
        let start = Instant::now();
        let ask = |host: &'static str| {
            let (turns, at_once) = (turns.clone(), at_once.clone());
            tokio::spawn(async move {
                let turn = turns.take(host).await;
                let began = start.elapsed();
                if host == "busy.example" {
                    assert_eq!(at_once.fetch_add(1, Ordering::SeqCst), 0);
                }
                tokio::time::sleep(ASKING).await;
                if host == "busy.example" {
                    at_once.fetch_sub(1, Ordering::SeqCst);
                }
                drop(turn);
                began.as_secs()
            })
        };
        let asked = [ask("busy.example"), ask("busy.example"), ask("busy.example"), ask("idle.example")];
        let mut began = Vec::new();
        for asking in asked {
            began.push(asking.await.unwrap());
        }
        assert_eq!(began, [0, 4, 8, 0]);
    }

    #[tokio::test(start_paused = true)]
    async fn hosts_asked_long_ago_are_forgotten_and_those_just_asked_are_not() {
        let turns = Turns::new(PAUSE);
        drop(turns.take("a.example").await);
        drop(turns.take("b.example").await);
        assert_eq!(turns.hosts.lock().unwrap().len(), 2);
        tokio::time::sleep(PAUSE * 2).await;
        let _turn = turns.take("c.example").await;
        assert_eq!(turns.hosts.lock().unwrap().len(), 1);
    }

    #[tokio::test(start_paused = true)]
    async fn whoever_stops_waiting_gives_up_the_turn() {
        let turns = Arc::new(Turns::new(PAUSE));
        let first = turns.take("busy.example").await;
        let waiting = tokio::time::timeout(Duration::from_millis(5), turns.take("busy.example"));
        assert!(waiting.await.is_err());
        drop(first);
        let start = Instant::now();
        let _second = turns.take("busy.example").await;
        assert_eq!(start.elapsed().as_secs(), 1);
    }
}
