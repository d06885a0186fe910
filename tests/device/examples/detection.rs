//! scratch
fn main() {
    let args: Vec<String> = std::env::args().collect();
    let seed: u64 = args[2].parse().unwrap();
    if args[1] == "--all" {
        let n: usize = args[3].parse().unwrap();
        let judged = wyelog_device_tests::detection::study::run(seed, n);
        for j in &judged { if let Some(c) = j.complaint(seed) { println!("{c}"); } }
        return;
    }
    let index: usize = args[3].parse().unwrap();
    let drawn = wyelog_device_tests::detection::record::Drawn::new(seed, index);
    let (heard, verdict) = drawn.play();
    println!("{}\n{:#?}\n{:?}", drawn.toml, verdict, heard.events.len());
}
