//! Jobs: many workers, one lease each.

use crate::support::{ACCOUNT, Place, at};
use std::collections::BTreeSet;
use steelyard::store::{CalibrationState, Ending, Renewal, Store};

on_both! {
    each_job_goes_to_one_worker,
    the_oldest_job_goes_first,
    a_job_whose_worker_died_is_taken_again,
    a_job_is_renewed_finished_and_reported,
    cancelling_stops_what_waits_and_asks_what_runs,
}

async fn queue(store: &Store, account: &str, id: &str, second: i64) {
    let mut write = store.write(account).await.unwrap();
    write.queue_calibration(id, r#"{"seed":1}"#, at(second)).await.unwrap();
    write.commit().await.unwrap();
}

const DONE: Ending<'_> =
    Ending { state: CalibrationState::Done, report: Some("{}"), version: Some("2"), at: jiff::Timestamp::UNIX_EPOCH };

async fn each_job_goes_to_one_worker(place: &Place) {
    let stores = [place.open().await, place.open().await];
    let jobs = 60;
    for job in 0..jobs {
        queue(&stores[0], ["local", "other"][job % 2], &format!("c-{job:02}"), 99 - job as i64).await;
    }
    // As many workers as jobs: nobody goes away empty-handed because others are just taking theirs.
    let claims = (0..jobs).map(|worker| {
        let store = stores[worker % 2].clone();
        tokio::spawn(async move { store.claim_calibration(&format!("w-{worker}"), at(99), at(199)).await.unwrap() })
    });
    let taken: Vec<_> =
        futures_util::future::join_all(claims).await.into_iter().filter_map(|claim| claim.unwrap()).collect();
    assert_eq!(taken.len(), jobs);
    assert_eq!(taken.iter().map(|c| c.id.clone()).collect::<BTreeSet<_>>().len(), jobs);
    assert!(taken.iter().all(|c| c.state == CalibrationState::Running));
    assert_eq!(stores[0].claim_calibration("late", at(99), at(199)).await.unwrap(), None);
    assert_eq!(stores[0].calibrations("other", "", 99).await.unwrap().len(), jobs / 2);
    assert_eq!(stores[0].calibrations("local", "c-02", 1).await.unwrap()[0].id, "c-04");
}

async fn the_oldest_job_goes_first(place: &Place) {
    let store = place.open().await;
    for (id, second) in [("a", 3), ("b", 1), ("c", 2)] {
        queue(&store, ACCOUNT, id, second).await;
    }
    for expected in ["b", "c", "a"] {
        assert_eq!(store.claim_calibration("w", at(9), at(99)).await.unwrap().unwrap().id, expected);
    }
}

async fn a_job_whose_worker_died_is_taken_again(place: &Place) {
    let store = place.open().await;
    queue(&store, ACCOUNT, "c", 0).await;
    let job = store.claim_calibration("first", at(0), at(60)).await.unwrap().unwrap();
    assert_eq!(store.claim_calibration("second", at(60), at(120)).await.unwrap(), None);
    assert_eq!(store.claim_calibration("second", at(61), at(120)).await.unwrap().unwrap().id, "c");
    // The first, should it wake, hears that it lost the job.
    let lost = store.renew_calibration(&job, "first", at(62), at(122), 0.5).await.unwrap_err();
    assert!(lost.is_conflict());
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.finish_calibration("c", "first", &DONE).await.unwrap_err().is_conflict());
    write.finish_calibration("c", "second", &DONE).await.unwrap();
    write.commit().await.unwrap();
    assert_eq!(store.claim_calibration("third", at(999), at(1099)).await.unwrap(), None);
}

async fn a_job_is_renewed_finished_and_reported(place: &Place) {
    let store = place.open().await;
    queue(&store, ACCOUNT, "c", 0).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.queue_calibration("c", "{}", at(0)).await.unwrap_err().is_conflict());
    drop(write);
    let revision = store.revision(ACCOUNT).await.unwrap();
    let job = store.claim_calibration("w", at(1), at(60)).await.unwrap().unwrap();
    assert_eq!((job.account.as_str(), job.params.as_str(), job.progress), (ACCOUNT, r#"{"seed":1}"#, 0.0));
    assert_eq!(store.renew_calibration(&job, "w", at(50), at(110), 0.25).await.unwrap(), Renewal::GoOn);
    // Nothing derived from the account changed.
    assert_eq!(store.revision(ACCOUNT).await.unwrap(), revision);
    assert_eq!(store.claim_calibration("v", at(100), at(160)).await.unwrap(), None);
    let seen = store.calibration(ACCOUNT, "c").await.unwrap();
    assert_eq!((seen.state, seen.progress, seen.updated_at), (CalibrationState::Running, 0.25, at(50)));
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.finish_calibration("c", "w", &DONE).await.unwrap();
    write.commit().await.unwrap();
    let done = store.calibration(ACCOUNT, "c").await.unwrap();
    assert_eq!((done.state, done.progress), (CalibrationState::Done, 1.0));
    assert_eq!((done.report.as_deref(), done.version.as_deref()), (Some("{}"), Some("2")));
    assert!(store.calibration("other", "c").await.unwrap_err().is_not_found());
}

async fn cancelling_stops_what_waits_and_asks_what_runs(place: &Place) {
    let store = place.open().await;
    queue(&store, ACCOUNT, "running", 0).await;
    queue(&store, ACCOUNT, "waiting", 1).await;
    let job = store.claim_calibration("w", at(2), at(60)).await.unwrap().unwrap();
    assert_eq!(job.id, "running");
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.cancel_calibration("running", at(3)).await.unwrap();
    write.cancel_calibration("waiting", at(3)).await.unwrap();
    assert!(write.cancel_calibration("none", at(3)).await.unwrap_err().is_not_found());
    write.commit().await.unwrap();
    assert_eq!(store.calibration(ACCOUNT, "waiting").await.unwrap().state, CalibrationState::Cancelled);
    assert_eq!(store.calibration(ACCOUNT, "running").await.unwrap().state, CalibrationState::Running);
    assert_eq!(store.renew_calibration(&job, "w", at(4), at(64), 0.1).await.unwrap(), Renewal::Cancel);
    let mut write = store.write(ACCOUNT).await.unwrap();
    let ending = Ending { state: CalibrationState::Cancelled, report: None, version: None, at: at(5) };
    write.finish_calibration("running", "w", &ending).await.unwrap();
    // What ended stays as it ended.
    write.cancel_calibration("running", at(9)).await.unwrap();
    write.commit().await.unwrap();
    let ended = store.calibration(ACCOUNT, "running").await.unwrap();
    assert_eq!((ended.state, ended.updated_at, ended.progress), (CalibrationState::Cancelled, at(5), 0.1));
    assert_eq!(store.claim_calibration("w", at(999), at(1099)).await.unwrap(), None);
}
