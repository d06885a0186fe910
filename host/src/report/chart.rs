//! Lines over time as inline SVG: axes, bands, lines with gaps, labels at the line ends.

use super::axis::Axis;
use super::text::escape;

/// Width of every chart in its own units; the page scales it.
pub const WIDTH: f64 = 560.0;
/// Height.
pub const HEIGHT: f64 = 236.0;
/// Room on the left for the numbers of the axis.
pub const LEFT: f64 = 54.0;
/// Room on the right for the labels at the line ends.
pub const RIGHT: f64 = 114.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 30.0;
/// Least distance of two labels.
const LABEL_STEP: f64 = 17.0;

/// A chart that is being drawn.
#[derive(Debug)]
pub struct Chart {
    /// Number in the page: for the names that a reader of screens follows.
    id: String,
    time: Axis,
    values: Axis,
    back: String,
    lines: String,
    labels: Vec<(f64, &'static str, String)>,
}

impl Chart {
    /// An empty one.
    pub fn new(id: &str, time: Axis, values: Axis) -> Self {
        Self {
            id: id.to_owned(),
            time,
            values,
            back: String::new(),
            lines: String::new(),
            labels: Vec::new(),
        }
    }

    fn x(&self, ms: f64) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * self.time.part(ms).clamp(0.0, 1.0)
    }

    fn y(&self, value: f64) -> f64 {
        TOP + (HEIGHT - TOP - BOTTOM) * (1.0 - self.values.part(value).clamp(0.0, 1.0))
    }

    /// A line through (time, value); where there is no value there is a gap, and a value alone is a dot.
    pub fn line(&mut self, class: &str, points: impl Iterator<Item = (f64, Option<f64>)>) {
        let mut path = String::new();
        let mut run = 0;
        for (ms, value) in points {
            let Some(value) = value else {
                close_run(&mut path, run);
                run = 0;
                continue;
            };
            path.push_str(if run == 0 { "M" } else { " " });
            path.push_str(&format!("{} {}", short(self.x(ms)), short(self.y(value))));
            run += 1;
        }
        close_run(&mut path, run);
        if !path.is_empty() {
            self.lines.push_str(&format!("<path class=\"line {class}\" d=\"{path}\"/>"));
        }
    }

    /// The area between the lowest and the highest values.
    pub fn band(&mut self, class: &str, points: impl Iterator<Item = (f64, Option<(f64, f64)>)>) {
        let mut path = String::new();
        let mut run: Vec<(f64, f64, f64)> = Vec::new();
        for (ms, range) in points.chain(std::iter::once((0.0, None))) {
            if let Some((low, high)) = range {
                run.push((self.x(ms), self.y(low), self.y(high)));
                continue;
            }
            if run.len() > 1 {
                let there = run.iter().map(|(x, low, _)| (x, low));
                let back = run.iter().rev().map(|(x, _, high)| (x, high));
                let points: Vec<String> =
                    there.chain(back).map(|(x, y)| format!("{} {}", short(*x), short(*y))).collect();
                path.push_str(&format!("M{}Z", points.join(" ")));
            }
            run.clear();
        }
        if !path.is_empty() {
            self.back.push_str(&format!("<path class=\"band {class}\" d=\"{path}\"/>"));
        }
    }

    /// A thin line at one value.
    pub fn level(&mut self, value: f64) {
        let y = short(self.y(value));
        let (left, right) = (short(LEFT), short(WIDTH - RIGHT));
        self.back.push_str(&format!("<path class=\"level\" d=\"M{left} {y} {right} {y}\"/>"));
    }

    /// Marks along the top for times in which something was left out.
    pub fn marks(&mut self, times: impl Iterator<Item = f64>) {
        let mut path = String::new();
        let mut last = f64::NEG_INFINITY;
        for x in times.map(|ms| self.x(ms)) {
            if x - last >= 1.0 {
                path.push_str(&format!("M{} {}v6", short(x), short(TOP)));
                last = x;
            }
        }
        if !path.is_empty() {
            self.back.push_str(&format!("<path class=\"flag\" d=\"{path}\"/>"));
        }
    }

    /// A label at the right end, at the height of a value.
    pub fn label(&mut self, class: &'static str, value: f64, text: String) {
        self.labels.push((self.y(value), class, text));
    }

    /// The SVG. `title` says what is shown, `desc` what can be seen in it; `unit` stands at the axis of the values.
    pub fn finish(mut self, title: &str, desc: &str, unit: &str) -> String {
        let mut out = open(&self.id, HEIGHT, title, desc);
        let (left, right, bottom) = (short(LEFT), short(WIDTH - RIGHT), short(HEIGHT - BOTTOM));
        let mut grid = String::new();
        for (value, label) in &self.values.ticks {
            let y = self.y(*value);
            grid.push_str(&format!("M{left} {} {right} {}", short(y), short(y)));
            out.push_str(&format!(
                "<text class=\"tick\" x=\"{}\" y=\"{}\" text-anchor=\"end\">{label}</text>",
                short(LEFT - 7.0),
                short(y + 5.0)
            ));
        }
        out.push_str(&format!("<path class=\"grid\" d=\"{grid}\"/>"));
        out.push_str(&format!("<text class=\"unit\" x=\"{left}\" y=\"14\">{}</text>", escape(unit)));
        out.push_str(&time_axis(&self.time, bottom.parse().unwrap_or(HEIGHT)));
        out.push_str(&self.back);
        out.push_str(&self.lines);
        spread(&mut self.labels);
        for (y, class, text) in &self.labels {
            out.push_str(&format!(
                "<text class=\"end {class}\" x=\"{}\" y=\"{}\">{}</text>",
                short(WIDTH - RIGHT + 7.0),
                short(y + 5.0),
                escape(text)
            ));
        }
        out.push_str("</svg>");
        out
    }
}

/// The beginning of an SVG with its title and description.
pub fn open(id: &str, height: f64, title: &str, desc: &str) -> String {
    format!(
        "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"{id}t {id}d\"><title id=\"{id}t\">{}</title><desc \
         id=\"{id}d\">{}</desc>",
        short(WIDTH),
        short(height),
        escape(title),
        escape(desc)
    )
}

/// The axis of time at height `y`.
pub fn time_axis(time: &Axis, y: f64) -> String {
    let x = |ms: f64| LEFT + (WIDTH - LEFT - RIGHT) * time.part(ms);
    let mut marks = format!("M{} {}H{}", short(LEFT), short(y), short(WIDTH - RIGHT));
    for ms in &time.minor {
        marks.push_str(&format!("M{} {}v3", short(x(*ms)), short(y)));
    }
    let mut out = String::new();
    let mut last = f64::NEG_INFINITY;
    for (ms, label) in &time.ticks {
        let x = x(*ms);
        marks.push_str(&format!("M{} {}v6", short(x), short(y)));
        let half = label.chars().count() as f64 * 3.9;
        // "UTC" stands at the end.
        if x - half > last + 8.0 && x + half < WIDTH - RIGHT + 30.0 {
            out.push_str(&format!(
                "<text class=\"tick\" x=\"{}\" y=\"{}\" text-anchor=\"middle\">{label}</text>",
                short(x),
                short(y + 21.0)
            ));
            last = x + half;
        }
    }
    out.push_str(&format!("<path class=\"axis\" d=\"{marks}\"/>"));
    out.push_str(&format!(
        "<text class=\"unit\" x=\"{}\" y=\"{}\" text-anchor=\"end\">UTC</text>",
        short(WIDTH - 6.0),
        short(y + 21.0)
    ));
    out
}

/// A value alone would be a line of no length: a dot.
fn close_run(path: &mut String, run: usize) {
    if run == 1 {
        path.push_str("h.1");
    }
}

/// At most one decimal: a tenth of a unit cannot be seen.
pub fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Moves labels apart, keeps their order and keeps them inside.
fn spread(labels: &mut [(f64, &'static str, String)]) {
    labels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let highest = HEIGHT - BOTTOM - 2.0;
    let mut least = TOP;
    for label in labels.iter_mut() {
        label.0 = label.0.max(least);
        least = label.0 + LABEL_STEP;
    }
    let mut most = highest;
    for label in labels.iter_mut().rev() {
        label.0 = label.0.min(most);
        most = label.0 - LABEL_STEP;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart() -> Chart {
        Chart::new("x", Axis::time(0, 10_000, 6), Axis::numbers(0.0, 10.0, 2.0))
    }

    #[test]
    fn a_gap_in_the_data_is_a_gap_in_the_line() {
        let mut chart = chart();
        let values = [Some(1.0), Some(2.0), None, Some(3.0), None, Some(4.0), Some(5.0)];
        chart.line("a", (0..).map(|n| f64::from(n) * 1000.0).zip(values));
        let svg = chart.finish("t", "d", "V");
        let path = svg.split("line a\" d=\"").nth(1).unwrap().split('"').next().unwrap();
        assert_eq!(path.matches('M').count(), 3, "{path}");
        assert_eq!(path.matches("h.1").count(), 1, "{path}");
    }

    #[test]
    fn a_band_closes_at_every_gap() {
        let mut chart = chart();
        let ranges = [Some((1.0, 2.0)), Some((1.0, 3.0)), None, Some((1.0, 2.0)), Some((0.0, 2.0))];
        chart.band("a", (0..).map(|n| f64::from(n) * 1000.0).zip(ranges));
        assert_eq!(chart.back.matches('Z').count(), 2, "{}", chart.back);
    }

    #[test]
    fn labels_keep_their_distance_and_stay_inside() {
        let mut labels: Vec<_> = [230.0, 229.0, 228.0, 0.0].map(|y| (y, "a", String::new())).to_vec();
        spread(&mut labels);
        let ys: Vec<f64> = labels.iter().map(|label| label.0).collect();
        assert!(ys.windows(2).all(|pair| pair[1] - pair[0] >= LABEL_STEP - 1e-9), "{ys:?}");
        assert!(ys.iter().all(|y| (TOP - 1e-9..=HEIGHT - BOTTOM).contains(y)), "{ys:?}");
    }

    #[test]
    fn numbers_in_paths_are_short() {
        assert_eq!([1.0, 1.25, -0.04, 100.96].map(short), ["1", "1.2", "0", "101"]);
    }
}
