//! The recursive estimator of the differences between the phases against `numpy.linalg.lstsq` over all windows at once.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;
use serde_json::{Value, json};
use wyelog_electrical::{Phasor, neutral};
use wyelog_firmware::bank::estimate::Estimate;
use wyelog_firmware::bank::look::Look;

use crate::ask;

/// Windows that a mean is made of, at most: a minute of them.
const LONGEST: u16 = 300;
/// Node 675 of the IEEE 13-node test feeder, published.
const VOLTAGE: [(f32, f32); 3] = [(0.9835, -5.56), (1.0553, -122.52), (0.9758, 116.03)];

/// Windows of a bank with these `y`; noise of such standard deviations, uniform, in each voltage and the neutral
/// current.
fn looks(count: usize, y: [f32; 3], ratio: f32, noise: [f32; 2], seed: u64) -> Vec<Look> {
    let mut rng = Pcg64::new(u128::from(seed), 0xa02b_dbf7_bb3c_0a7a_c28f_a16a_64ab_f961);
    let mut uniform = |deviation: f32| {
        let unit = (rng.next_u32() >> 8) as f32 / 8_388_608.0 - 1.0;
        unit * deviation * 1.732_05
    };
    let mut one = |deviation: f32| Phasor::new(uniform(deviation), uniform(deviation));
    let window = |n: usize| {
        let mut voltage = VOLTAGE.map(|(size, degrees)| Phasor::from_polar_degrees(size, degrees));
        for v in &mut voltage {
            *v += one(noise[0]);
        }
        let neutral = neutral::explained(voltage, y, ratio) + one(noise[1]);
        let begin = n as u64 * 960;
        Look { voltage, shown: voltage, neutral, ratio, ..Look::dark(begin, begin + 960) }
    };
    (0..count).map(window).collect()
}

/// Differences by the estimator, and by numpy: all windows stacked, and each alone.
fn both(looks: &[Look]) -> [[f64; 3]; 3] {
    let mut estimate = Estimate::default();
    let common = estimate.common();
    for look in looks {
        estimate.closed(look);
    }
    let pair = |phasor: Phasor| [phasor.re, phasor.im];
    let windows: Vec<Value> = looks
        .iter()
        .map(|look| {
            let [a, b, c] = look.voltage;
            json!([a, b, c, look.neutral].map(pair))
        })
        .collect();
    let question = json!({"windows": windows, "ratio": looks[0].ratio, "common": common, "longest": LONGEST});
    let answer = ask("least_squares.py", &question);
    let of = |name: &str| -> [f64; 3] { serde_json::from_value(answer[name].clone()).unwrap() };
    let recursive = estimate.y.map(|y| f64::from(y) - f64::from(estimate.common()));
    [recursive, of("stacked"), of("each")]
}

fn furthest(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// Roundings of a recursion of `count` windows: each adds half an ulp of a number near 1 three times (product, sum,
/// the common part put back), and their errors walk.
fn roundings(count: usize) -> f64 {
    3.0 * 5.96e-8 * (count as f64).sqrt() * 3.0
}

/// With the voltages held and noise in the neutral current (the study's 0.15 % of rated), the recursion *is* the
/// least-squares solution: to rounding.
#[test]
fn with_voltages_held_it_is_the_stacked_solution() {
    for (seed, (count, y)) in [
        (1, [1.0, 1.0, 1.0]),
        (2, [0.96, 1.02, 1.01]),
        (50, [1.03, 0.9, 1.07]),
        (300, [0.5, 1.25, 1.25]),
        (301, [0.98, 1.04, 1.0]),
        (1500, [1.0, 1.1, 0.93]),
    ]
    .into_iter()
    .enumerate()
    {
        let looks = looks(count, y, 0.9992, [0.0, 0.0015], seed as u64);
        let [recursive, stacked, each] = both(&looks);
        let limit = roundings(count);
        assert!(furthest(recursive, stacked) < limit, "{count}: {recursive:?} {stacked:?} {limit:e}");
        assert!(furthest(stacked, each) < 1e-12, "{stacked:?} {each:?}");
    }
}

/// With voltages that move from window to window as well, it is the mean of the windows' own solutions, to rounding;
/// the stacked one weighs windows of higher voltage more: by twice the spread of the voltages of what the windows
/// differ by.
#[test]
fn with_voltages_that_move_it_is_the_mean_of_solutions() {
    for (seed, count) in [40, 300, 900].into_iter().enumerate() {
        let (spread, noise) = (0.01, 0.0015);
        let looks = looks(count, [0.97, 1.04, 1.0], 1.001, [spread, noise], 100 + seed as u64);
        let [recursive, stacked, each] = both(&looks);
        let limit = roundings(count);
        assert!(furthest(recursive, each) < limit, "{count}: {recursive:?} {each:?} {limit:e}");
        // What is common to all, 1 % here, shows in each window through its own V0.
        let own = f64::from(noise) + 3.0 * 0.01 * f64::from(spread);
        let weighed = 2.0 * f64::from(spread) * own;
        assert!(furthest(recursive, stacked) < 3.0 * weighed, "{recursive:?} {stacked:?} {weighed:e}");
    }
}

/// That they are the bank's: noise of the mean of `count` windows, five standard deviations.
#[test]
fn it_finds_what_is_there() {
    let y = [0.95, 1.02, 1.03];
    let looks = looks(300, y, 1.0, [0.0004, 0.0015], 7);
    let [recursive, ..] = both(&looks);
    for (found, y) in recursive.into_iter().zip(y) {
        // Common part and nameplate agree.
        let off = found - (f64::from(y) - 1.0);
        assert!(off.abs() < 5.0 * 0.0025 / 300_f64.sqrt(), "{found} {y}");
    }
}
