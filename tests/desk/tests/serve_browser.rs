//! The live page in a headless Chromium: what a reader does and sees.

mod browser;

use std::fs;
use std::path::{Path, PathBuf};

use browser::Browser;
use wyelog_desk_tests::fabricate::{Fabricated, Story};
use wyelog_desk_tests::serving::{Served, desk};
use wyelog_desk_tests::wyelog_in;

const WELL: Fabricated<'_> =
    Fabricated { serial: "L1", bank: "Alder 1", interval_s: 600, intervals: 2016, story: Story::Healthy };
const BLOWN: Fabricated<'_> = Fabricated {
    serial: "L2",
    bank: "Quillmere 3",
    story: Story::BlownFuse { phase: 1, at: 1500, until: None },
    ..WELL
};

fn ingest(folder: &Path, bank: &Fabricated<'_>) {
    fs::write(folder.join("new.log"), bank.log()).unwrap();
    let ended = wyelog_in(folder, &["ingest", "new.log", "--store", "desk"]);
    assert_eq!(ended.code, Some(0), "{ended:?}");
}

fn nothing_is_wrong(browser: &mut Browser, served: &Served) {
    assert_eq!(browser.complaints(), Vec::<String>::new());
    let own = format!("http://{}/", served.address);
    let requests = browser.requests();
    assert!(requests.len() > 3, "{requests:?}");
    let elsewhere: Vec<_> = requests
        .into_iter()
        .filter(|url| !url.starts_with(&own) && !url.starts_with("data:") && *url != "about:blank")
        .collect();
    assert_eq!(elsewhere, Vec::<&str>::new());
}

const LINE: &str = "document.querySelector('#charts .line').getAttribute('d')";

#[test]
fn keys_and_mouse_zoom_and_the_address_follows() {
    let folder = desk([WELL, BLOWN].map(|bank| bank.log()));
    let served = Served::ready(folder.path(), &[]);
    let mut browser = Browser::start(1400, 900, false);
    browser.open(&served.url);
    browser.evaluate("document.querySelector('.fleet tbody a').click()");
    browser.wait("location.pathname === '/bank' && document.readyState === 'complete'");
    browser.evaluate("window.stays = true");
    let whole = browser.evaluate(LINE);
    browser.press("+");
    let range = "new URLSearchParams(location.search).get('from') + ' ' + new URLSearchParams(location.search).get('to')";
    browser.wait("location.search.includes('from=') && !document.body.hasAttribute('aria-busy')");
    assert_eq!(browser.evaluate(range), "2030-05-04T12:00 2030-05-11T12:00");
    let near = browser.evaluate(LINE);
    assert_ne!(near, whole);
    browser.press("ArrowRight");
    browser.wait(&format!("({range}).startsWith('2030-05-06T06:00') && {LINE} !== {near}"));
    browser.press("-");
    browser.wait(&format!("({range}) === 'null null' && {LINE} === {whole}"));
    // Back is the stretch before.
    browser.evaluate("history.back()");
    browser.wait(&format!("({range}).startsWith('2030-05-06T06:00') && {LINE} !== {whole}"));
    browser.press("0");
    browser.wait(&format!("({range}) === 'null null' && {LINE} === {whole}"));
    // The second half, drawn over with the mouse.
    let edge = |part: &str| {
        format!(
            "(() => {{ const box = document.querySelector('#charts figure svg').getBoundingClientRect(); \
             return [box.left + box.width * {part}, box.top + box.height / 2]; }})()"
        )
    };
    browser.evaluate("document.querySelector('#charts figure svg').scrollIntoView({block: 'center'})");
    let mut point = |part: &str| {
        let point = browser.evaluate(&edge(part));
        (point[0].as_f64().unwrap(), point[1].as_f64().unwrap())
    };
    let (middle, end) = (point("250 / 560"), point("446 / 560"));
    browser.drag(middle, end);
    browser.wait(&format!("({range}).startsWith('2030-05-08T') && {LINE} !== {whole}"));
    // The focus stays on the way that was taken.
    browser.evaluate("document.querySelector('[data-key=\"-\"]').focus()");
    browser.press("Enter");
    browser
        .wait(&format!("!({range}).startsWith('2030-05-08T') && !document.body.hasAttribute('aria-busy')"));
    assert_eq!(browser.evaluate("document.activeElement.dataset.key"), "-");
    assert_eq!(browser.evaluate("window.stays"), true);
    nothing_is_wrong(&mut browser, &served);
}

#[test]
fn new_logs_show_without_loading_the_page_again() {
    let folder = desk([WELL.log()]);
    let served = Served::ready(folder.path(), &[]);
    let mut browser = Browser::start(1400, 500, false);
    browser.open(&served.url);
    assert_eq!(browser.evaluate("document.querySelectorAll('.fleet tbody tr').length"), 1);
    browser.evaluate(
        "window.stays = true; document.getElementById('bank').focus({preventScroll: true}); scrollTo(0, 200)",
    );
    browser.type_text("quill");
    browser.wait(
        "location.search === '?bank=quill' && document.querySelectorAll('.fleet tbody tr').length === 0",
    );
    ingest(folder.path(), &BLOWN);
    browser.wait("document.querySelector('.fleet tbody th')?.textContent === 'Quillmere 3'");
    browser.wait("document.getElementById('status').textContent.startsWith('New data shown')");
    assert!(
        browser
            .evaluate("document.querySelector('h1').textContent")
            .as_str()
            .unwrap()
            .contains("needs a crew")
    );
    let kept =
        "[window.stays, document.getElementById('bank').value, document.activeElement.id, location.search]";
    assert_eq!(browser.evaluate(kept), serde_json::json!([true, "quill", "bank", "?bank=quill"]));
    // On the page of a bank, scroll and zoom stay.
    let zoomed = format!("{}bank?bank=Quillmere+3&from=2030-05-10", served.url);
    browser.open(&zoomed);
    browser.evaluate("window.stays = true; scrollTo(0, 300)");
    let before = browser.evaluate(LINE);
    // A later download of the same logger: all that it has, three days longer.
    ingest(folder.path(), &Fabricated { intervals: 2016 + 432, ..BLOWN });
    browser.wait(&format!("{LINE} !== {before}"));
    let kept = "[window.stays, scrollY, location.search]";
    assert_eq!(browser.evaluate(kept), serde_json::json!([true, 300, "?bank=Quillmere+3&from=2030-05-10"]));
    let shown = browser.evaluate("document.getElementById('shown').textContent");
    assert!(
        shown.as_str().unwrap().starts_with("Shown: 2030-05-10 00:00 to 2030-05-18 00:00 UTC"),
        "{shown}"
    );
    nothing_is_wrong(&mut browser, &served);
}

#[test]
fn it_fits_a_phone_and_is_used_with_keys_light_and_dark() {
    let folder = desk([WELL, BLOWN].map(|bank| bank.log()));
    let served = Served::ready(folder.path(), &[]);
    let mut browser = Browser::start(390, 844, false);
    // For people: a folder that pictures go to.
    let pictures = std::env::var_os("WYELOG_PICTURES").map(PathBuf::from);
    for (name, page) in [("fleet", String::new()), ("bank", "bank?bank=Quillmere+3".to_owned())] {
        for (width, is_dark) in [(390, false), (390, true), (1400, false), (1400, true)] {
            browser.resize(width, 844);
            browser.paint(is_dark);
            browser.open(&format!("{}{page}", served.url));
            assert_eq!(browser.evaluate("innerWidth"), width);
            let widest = "Math.max(...[...document.querySelectorAll('main *')].filter(e => !e.closest('.wide, svg, thead'))\
                          .map(e => e.getBoundingClientRect().right))";
            let widest = browser.evaluate(widest).as_f64().unwrap();
            assert!(widest <= f64::from(width), "{name} at {width}: {widest}");
            let paper = browser.evaluate("getComputedStyle(document.body).backgroundColor");
            assert_eq!(paper == "rgb(21, 21, 19)", is_dark, "{paper}");
            if let Some(folder) = &pictures {
                let tone = if is_dark { "dark" } else { "light" };
                browser.picture(&folder.join(format!("{name}-{width}-{tone}.png")));
            }
        }
        // Everything that can be used gets the focus, one after the other, and shows it.
        let all =
            "[...document.querySelectorAll('a[href], input:not([type=hidden]), select, button')].length";
        let all = browser.evaluate(all).as_u64().unwrap();
        browser.evaluate("window.seen = new Set()");
        for _ in 0..all + 60 {
            browser.press("Tab");
            let shows = browser.evaluate(
                "(() => { const e = document.activeElement; if (e === document.body || e.matches('.wide')) return true; \
                 window.seen.add(e); return getComputedStyle(e).outlineStyle !== 'none'; })()",
            );
            assert_eq!(shows, true, "{}", browser.evaluate("document.activeElement.outerHTML"));
        }
        assert_eq!(browser.evaluate("window.seen.size").as_u64(), Some(all), "{name}");
    }
    nothing_is_wrong(&mut browser, &served);
}
