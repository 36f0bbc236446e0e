//! How fast lines are answered, beside how fast `serde_json` reads and writes the same lines: parsed
//! into a `Value` and written out again. Both run on the same threads, in turn, in one run; of each the
//! quickest of many short rounds counts, so that what else the machine does meanwhile falls out.
//!
//! `cargo run --release -p steelyard --example line_rate [LINES A ROUND] [ROUNDS] [JOBS]`

use rustix::time::{ClockId, clock_gettime};
use std::hint::black_box;
use std::io::{self, Write as _};
use std::thread;
use std::time::{Duration, Instant};
use steelyard::app::App;
use steelyard::drawn::{Drawing, request};
use steelyard::lines;
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;

fn main() -> anyhow::Result<()> {
    let mut given = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let mut number = |otherwise| given.next().unwrap_or(Ok(otherwise));
    let (count, rounds) = (number(500)?, number(100)?);
    let jobs = number(thread::available_parallelism()?.get())?;

    let pack = Pack::builtin();
    let app = App::new(pack.clone(), Book::default())?;
    let (mut bare, mut whole) = (Vec::new(), Vec::new());
    for drawn in Drawing::new(&pack, None, 1)?.take(count) {
        let mut request = request(&pack, &drawn);
        serde_json::to_writer(&mut whole, &request)?;
        request.include = Some(Vec::new());
        serde_json::to_writer(&mut bare, &request)?;
        whole.push(b'\n');
        bare.push(b'\n');
    }

    let works: [(&str, &dyn Fn() -> anyhow::Result<()>); 3] = [
        ("serde_json reads and writes them", &|| read_and_write(&bare, jobs)),
        ("answered with include []", &|| answer(&app, &bare, jobs, count)),
        ("answered whole", &|| answer(&app, &whole, jobs, count)),
    ];
    let mut quickest = [[Duration::MAX; 2]; 3];
    for _ in 0..rounds {
        for (best, (_, work)) in quickest.iter_mut().zip(works) {
            let (begun, used) = (Instant::now(), processor_time());
            work()?;
            *best = [begun.elapsed().min(best[0]), (processor_time() - used).min(best[1])];
        }
    }

    let mut out = io::stdout();
    writeln!(
        out,
        "{count} lines of {} bytes, {jobs} threads, the quickest of {rounds} rounds",
        bare.len() / count.max(1)
    )?;
    writeln!(out, "{:34} {:>20}  ratio {:>20}  ratio", "", "lines a second", "a processor second")?;
    for ((what, _), best) in works.iter().zip(quickest) {
        write!(out, "{what:34}")?;
        for (i, time) in best.iter().enumerate() {
            let ratio = quickest[0][i].as_secs_f64() / time.as_secs_f64();
            write!(out, " {:20.0}  {ratio:.3}", count as f64 / time.as_secs_f64())?;
        }
        writeln!(out)?;
    }
    Ok(())
}

/// Of all threads together.
fn processor_time() -> Duration {
    let time = clock_gettime(ClockId::ProcessCPUTime);
    Duration::new(time.tv_sec.try_into().unwrap_or(0), time.tv_nsec.try_into().unwrap_or(0))
}

/// The yardstick. Nothing is cut into lines or put in order here but by the split into as many parts as threads.
fn read_and_write(lines: &[u8], jobs: usize) -> anyhow::Result<()> {
    let lines: Vec<&[u8]> = lines.split(|b| *b == b'\n').filter(|l| !l.is_empty()).collect();
    thread::scope(|scope| {
        let part = |part: &[&[u8]]| {
            let mut out = Vec::new();
            for line in part {
                out.clear();
                let value: serde_json::Value = serde_json::from_slice(line)?;
                serde_json::to_writer(&mut out, &value)?;
                black_box(&out);
            }
            anyhow::Ok(())
        };
        let parts: Vec<_> =
            lines.chunks(lines.len().div_ceil(jobs).max(1)).map(|p| scope.spawn(move || part(p))).collect();
        parts.into_iter().try_for_each(|p| p.join().map_err(|_| anyhow::anyhow!("a thread panicked"))?)
    })
}

fn answer(app: &App, lines: &[u8], jobs: usize, count: usize) -> anyhow::Result<()> {
    let counts = lines::assess(app, lines, io::sink(), jobs, |_| ())?;
    anyhow::ensure!(counts.assessed == count as u64, "{counts:?}");
    Ok(())
}
