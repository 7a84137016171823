//! The plan on a clock that the test turns.

use super::*;

const FAST: [Poll; 1] = [Poll::Dynamic];

#[test]
fn one_at_a_time_per_modem() {
    let mut p = Plan::new(Periods::every(10_000), 8);
    for modem in [1, 1, 2] {
        p.add(modem, &FAST, 0);
    }
    let (a, b) = (p.next(0).unwrap(), p.next(0).unwrap());
    assert_eq!((a.device, b.device), (0, 2));
    assert_eq!(p.next(0), None);
    p.finish(a);
    assert_eq!(p.next(500).unwrap().device, 1);
    assert!((p.planned_per_s() - 0.3).abs() < 1e-12);
}

#[test]
fn a_released_modem_serves_the_next() {
    let mut p = Plan::new(Periods::every(10_000), 8);
    for _ in 0..3 {
        p.add(1, &FAST, 0);
    }
    let a = p.next(0).unwrap();
    p.release_modem(a);
    let b = p.next(1).unwrap();
    // The end of the first does not free the modem that the second holds.
    p.finish(a);
    assert_eq!(p.next(2), None);
    p.finish(b);
    assert_eq!(p.next(3).map(|j| j.device), Some(2));
}

#[test]
fn overload_skips_and_says_how_late() {
    // 20 devices on one modem, each second, 0.5 s an exchange: 2 a second of 20 planned.
    let mut p = Plan::new(Periods::every(1_000), 8);
    for _ in 0..20 {
        p.add(7, &FAST, 0);
    }
    let (mut now, mut done, mut served) = (0, 0, [0u32; 20]);
    while now < 100_000 {
        let job = p.next(now).unwrap();
        served[job.device] += 1;
        done += 1;
        now += 500;
        p.finish(job);
    }
    assert_eq!(done, 200);
    assert!(served.iter().all(|n| *n == 10), "{served:?}");
    assert!(p.late_ms(now) >= 8_000, "{}", p.late_ms(now));
    // Each device: 100 periods, 10 done.
    assert!((1_600..=1_800).contains(&p.skipped()), "{}", p.skipped());
}

#[test]
fn slow_reads_are_interleaved_and_never_starved() {
    let periods = Periods::every(10_000);
    let mut p = Plan::new(periods, 8);
    for _ in 0..14 {
        p.add(1, &Poll::ALL, 0);
    }
    assert!(utilisation(14, &periods) < 1.0);
    let (mut now, mut count) = (0u64, [0u32; POLLS]);
    while now < 3_600_000 {
        match p.next(now) {
            Some(job) => {
                count[job.poll as usize] += 1;
                if job.poll.uses_wire() {
                    now += 570;
                }
                p.finish(job);
            }
            None => now = p.next_due_ms(now).unwrap().max(now + 1),
        }
    }
    assert!(count[Poll::Dynamic as usize] >= 14 * 340, "{count:?}");
    for slow in [
        Poll::Output,
        Poll::LongTag,
        Poll::LoopMode,
        Poll::AdditionalStatus,
    ] {
        assert!(
            (14 * 5..=14 * 7).contains(&count[slow as usize]),
            "{count:?}"
        );
    }
    assert!(
        (14 * 11..=14 * 13).contains(&count[Poll::Statistics as usize]),
        "{count:?}"
    );
}

#[test]
fn fast_reads_keep_their_grid_beside_slow_ones() {
    // Two devices on a modem, fast reads 5 s apart, each as slow to answer as it may be: slow reads find room between.
    let mut p = Plan::new(Periods::every(10_000), 8);
    let (a, b) = (p.add(1, &Poll::ALL, 0), p.add(1, &Poll::ALL, 5_000));
    let (mut now, mut asked) = (0u64, [Vec::new(), Vec::new()]);
    while now < 3_600_000 {
        match p.next(now) {
            Some(job) => {
                if job.poll == Poll::Dynamic {
                    asked[job.device].push(now);
                }
                if job.poll.uses_wire() {
                    now += usual_exchange(job.poll.command()).slowest_ms() as u64;
                }
                p.finish(job);
            }
            None => now = p.next_due_ms(now).unwrap().max(now + 1),
        }
    }
    for device in [a, b] {
        // The first round, with everything due at once, apart.
        let late = asked[device].windows(2).skip(6).map(|w| w[1] - w[0]);
        let worst = late.clone().max().unwrap();
        assert!(worst <= 10_010, "device {device}: {worst} ms");
        assert!(late.count() > 340);
    }
}

#[test]
fn devices_that_start_together_are_spread_over_the_period() {
    for devices in [2_u64, 3, 7] {
        let mut p = Plan::new(Periods::every(10_000), 8);
        for _ in 0..devices {
            p.add(1, &FAST, 1_234);
        }
        let mut asked = alloc::vec![Vec::new(); devices as usize];
        let mut now = 1_234;
        while now < 100_000 {
            match p.next(now) {
                Some(job) => {
                    asked[job.device].push(now);
                    now += 600;
                    p.finish(job);
                }
                None => now = p.next_due_ms(now).unwrap(),
            }
        }
        for times in &asked {
            let gaps = times.windows(2).map(|w| w[1] - w[0]);
            // Once earlier, then on the grid.
            assert!(gaps.clone().take(1).all(|g| (5_000..=10_600).contains(&g)));
            assert!(gaps.skip(1).all(|g| g == 10_000), "{devices}: {times:?}");
        }
        let mut phases: Vec<u64> = asked.iter().map(|t| t[3] % 10_000).collect();
        phases.sort_unstable();
        let nearest = phases.windows(2).map(|w| w[1] - w[0]).min().unwrap();
        assert!(nearest >= 10_000 / devices / 3, "{devices}: {phases:?}");
    }
}

#[test]
fn a_slow_read_does_not_wait_for_ever() {
    // One fast read after another on the modem: no room for the slow one, which goes when its patience is spent.
    let mut p = Plan::new(Periods::every(1_000), 8);
    p.add(1, &FAST, 0);
    p.add(1, &FAST, 500);
    let slow = p.add(1, &[Poll::Output], 0);
    let mut now = 0;
    let went = loop {
        match p.next(now) {
            Some(job) if job.device == slow => break now,
            Some(job) => {
                now += 450;
                p.finish(job);
            }
            None => {
                let next = p.next_due_ms(now).unwrap();
                assert!(next > now, "it asks to be woken and then has nothing to do");
                now = next;
            }
        }
        assert!(now < 10_000);
    };
    assert!((2_500..=3_500).contains(&went), "{went}");
}

#[test]
fn budget_of_a_modem() {
    // Sixteen devices every 30 s fit one modem, every 5 s they do not.
    assert!(utilisation(16, &Periods::every(30_000)) < 0.8);
    assert!(utilisation(16, &Periods::every(5_000)) > 1.0);
}

#[test]
fn dropped_and_hastened() {
    let mut p = Plan::new(Periods::every(10_000), 8);
    let d = p.add(1, &[Poll::Dynamic, Poll::AdditionalStatus], 0);
    p.drop_poll(d, Poll::AdditionalStatus);
    let job = p.next(0).unwrap();
    assert_eq!(job.poll, Poll::Dynamic);
    p.finish(job);
    assert_eq!(p.next(1), None);
    p.hasten(d, Poll::AdditionalStatus, 2);
    assert_eq!(p.next(2).map(|j| j.poll), Some(Poll::AdditionalStatus));
    // Numbers that were never given out do nothing.
    p.finish(Job {
        device: 99,
        poll: Poll::Dynamic,
        late_ms: 0,
        modem: 1,
    });
    p.remove(99);
    assert!(!p.is_planned(99, Poll::Dynamic));
}
