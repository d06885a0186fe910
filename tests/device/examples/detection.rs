fn main() {
    let args: Vec<String> = std::env::args().collect();
    let index: usize = args[2].parse().unwrap();
    let start = std::time::Instant::now();
    let drawn = wyelog_device_tests::detection::record::Drawn::new(1, index);
    let (heard, verdict) = drawn.play();
    println!("{}\n{:#?}\n{:?}\n{:?}", drawn.toml, verdict, heard.events.len(), start.elapsed());
}
