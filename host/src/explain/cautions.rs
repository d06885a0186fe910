//! What to beware of. Each sentence once; a condition names those that apply to it.

/// For every condition: the tool's own limits.
pub(super) const INFORMS: &str = "This tool informs. It protects nothing, operates nothing and never proves a line \
    dead; local codes, the utility's rules and licensed practice come first.";
pub(super) const CHARGED: &str = "Every capacitor is charged until it is shorted. Five minutes after opening (units \
    above 600 V, IEEE 18) is a minimum before testing and grounding, not a proof; ground each unit, terminal to \
    terminal and to case.";
pub(super) const BLOCK: &str = "Before anyone goes up: remote and automatic operation blocked and tagged, reclosing \
    per local rule. The bank may close by itself.";
pub(super) const TEST_BEFORE_REFUSING: &str = "A blown link is a failed unit until its capacitance has been measured: \
    test before re-fusing. While re-fusing and at the first energisation after it nobody is on the pole or below.";
pub(super) const STAR_GROUND: &str = "Never open the star-point ground of an energised bank. Zero neutral current \
    proves nothing: star, rack and tanks may be energised when that ground is broken or stolen.";
pub(super) const SECONDARIES: &str = "Never open the secondary of a current transformer of an energised bank, short it \
    first; never short a voltage transformer.";
pub(super) const STAY_CLEAR: &str = "A bulged, leaking or hot unit: stay clear. Old units may contain PCB.";
pub(super) const NOT_ISOLATED: &str = "What a screen says is no isolation: stuck poles, backfeed and line-side sensors \
    stay live. Visible break, rated tester, grounds.";
pub(super) const COMES_BACK: &str = "The feeder comes back without warning, and the bank with it.";
pub(super) const BACKFED: &str =
    "A phase that is open upstream is not dead: loads and the bank itself feed it back.";
pub(super) const RECLOSE: &str = "A countdown to re-closing says 'earliest', never 'safe': a failed discharge resistor \
    can hold the charge for days.";
pub(super) const BENCH_SUPPLY: &str = "A bench supply at the pole feeds back through the control-power transformer: \
    isolate it first. Laptop on battery, isolated link, cabinet bonded.";
pub(super) const THREE_WIRE: &str = "Never ground the star of a bank on a three-wire feeder.";

/// Whenever somebody works on the bank.
pub(super) const AT_THE_BANK: &[&str] = &[CHARGED, BLOCK, NOT_ISOLATED, STAR_GROUND, STAY_CLEAR];
/// Whenever a fuse may be replaced.
pub(super) const AT_THE_FUSE: &[&str] =
    &[CHARGED, BLOCK, TEST_BEFORE_REFUSING, NOT_ISOLATED, STAR_GROUND, STAY_CLEAR];
/// Whenever somebody works on sensors and their leads.
pub(super) const AT_THE_SENSOR: &[&str] =
    &[STAR_GROUND, SECONDARIES, CHARGED, BLOCK, NOT_ISOLATED, BENCH_SUPPLY];
/// Whenever only the feeder is concerned.
pub(super) const AT_THE_FEEDER: &[&str] = &[NOT_ISOLATED];
