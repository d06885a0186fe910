//! What all pages have around them.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::desk::Desk;
use crate::report::STYLE;
use crate::report::text::escape;

/// What the pages do by themselves: look for new data, zoom without loading a page.
pub const SCRIPT: &str = include_str!("page.js");
/// The tab's picture: a capacitor.
pub const ICON: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 16 16\"><path d=\"M8 0V6M2 6.5H14M2 9.5H14M8 \
                        10V16\" fill=\"none\" stroke=\"#c45100\" stroke-width=\"2\"/></svg>\n";

/// The report's style, and what pages that can be used have besides.
pub fn style() -> String {
    format!("{STYLE}\n{}", include_str!("page.css"))
}

/// A page, or a part of one.
#[derive(Debug)]
pub struct Page {
    status: StatusCode,
    html: String,
}

impl IntoResponse for Page {
    fn into_response(self) -> Response {
        (self.status, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], self.html).into_response()
    }
}

impl Page {
    /// A whole page of what stands in `main`, which is HTML.
    pub fn whole(desk: &Desk, version: &str, title: &str, main: &str) -> Self {
        let trouble = desk.trouble().map(|trouble| {
            format!(
                "What is shown is what was read last. The store cannot be read now: {}.",
                escape(&trouble)
            )
        });
        let main = format!(
            "<p id=\"status\" role=\"status\">{}</p><noscript><p class=\"hint\">Without scripts, new data show when the page is \
             loaded again.</p></noscript>{main}",
            trouble.unwrap_or_default()
        );
        let head = format!(
            "<link rel=\"stylesheet\" href=\"/style.css\"><script src=\"/page.js\" defer></script><meta name=\"version\" \
             content=\"{}\">",
            escape(version)
        );
        Self { status: StatusCode::OK, html: html(title, &head, &main) }
    }

    /// A part of a page that takes the place of the same part.
    pub const fn part(html: String) -> Self {
        Self { status: StatusCode::OK, html }
    }

    /// A page that says something.
    pub fn words(status: StatusCode, words: &str) -> Self {
        let main = format!(
            "<h1>{}</h1><p id=\"words\">{}</p><p><a href=\"/\">All banks</a></p>",
            escape(status.canonical_reason().unwrap_or("No page")),
            escape(words)
        );
        let head = "<link rel=\"stylesheet\" href=\"/style.css\">";
        Self { status, html: html("wyelog", head, &main) }
    }
}

/// A page that asks again by itself.
pub fn wait(words: &str) -> Page {
    let main =
        format!("<p class=\"lead\" id=\"words\">{}</p><p>This page asks again by itself.</p>", escape(words));
    let head = "<link rel=\"stylesheet\" href=\"/style.css\"><meta http-equiv=\"refresh\" content=\"1\">";
    Page { status: StatusCode::SERVICE_UNAVAILABLE, html: html("wyelog", head, &main) }
}

fn html(title: &str, head: &str, main: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width, \
         initial-scale=1\"><meta name=\"color-scheme\" content=\"light dark\"><title>{}</title><link rel=\"icon\" \
         href=\"/icon.svg\">{head}</head><body><main>\n{main}\n</main></body></html>\n",
        escape(title)
    )
}
