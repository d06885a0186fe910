//! Whatever the windows hold.

use proptest::prelude::*;

use super::*;

fn number() -> impl Strategy<Value = f32> {
    prop_oneof![4 => -2.0_f32..2.0, 1 => proptest::num::f32::ANY, 1 => Just(f32::NAN), 1 => Just(f32::INFINITY)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_window_panics(
        windows in prop::collection::vec((prop::array::uniform16(number()), 0_u8..16, 1_usize..8), 1..40),
        location in 0_u8..3,
    ) {
        let location = [Location::Line, Location::FuseSwitch, Location::Capacitor][usize::from(location)];
        let mut bench = Bench::new(&located(location));
        for (values, choice, times) in windows {
            if choice & 1 == 1 {
                bench.judge.told(choice & 2 == 2, bench.now);
            }
            if choice & 4 == 4 {
                let ([peak, ..], begin) = (values, bench.now);
                bench.burst = Some(Burst { begin, end: begin + 40, peak, returns: choice, phase: choice, crest: 0.0 });
            }
            for _ in 0..times {
                if choice & 8 == 8 {
                    bench.dead(0.2, choice & 1 == 1);
                }
                let circumstances = bench.circumstances(choice == 15);
                let look = Look { begin: bench.now, end: bench.now + WINDOW, ..testing::any_look(values) };
                bench.now += WINDOW;
                let judged = bench.judge.window(&look, &circumstances);
                bench.took(&judged);
                let _ = (bench.found(), bench.judge.connected_if_known(), bench.judge.blind(), bench.judge.state());
            }
        }
    }

    /// One window of nonsense in a healthy life is nothing.
    #[test]
    fn a_window_of_nonsense_is_survived(values in prop::array::uniform16(proptest::num::f32::ANY)) {
        let mut bench = Bench::healthy(&testing::settings());
        let look = Look { begin: bench.now, end: bench.now + WINDOW, ..testing::any_look(values) };
        let circumstances = bench.circumstances(false);
        bench.now += WINDOW;
        bench.judge.window(&look, &circumstances);
        bench.run(5.0, Bench::Y);
        prop_assert_eq!(bench.found(), []);
        // A fuse is found as ever.
        let y = with(Bench::Y, 2, 0.0);
        bench.strikes(y);
        bench.run(3.0, y);
        prop_assert_eq!(bench.found(), [(Condition::BlownFuse, 0b100)]);
    }
}
