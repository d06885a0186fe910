//! Loggers of which the report can say nothing, since nobody has heard from them.

use super::text::escape;
use crate::analysis::Filter;
use crate::analysis::quality::never_heard;
use crate::store::Store;

/// A section; nothing where there are none.
pub fn section(store: &Store, filter: &Filter, end_ms: Option<i64>) -> String {
    let loggers = never_heard(store, filter, end_ms);
    if loggers.is_empty() {
        return String::new();
    }
    let items: String = loggers
        .iter()
        .map(|logger| {
            let feeder = match logger.feeder.as_str() {
                "" => String::new(),
                feeder => format!(", feeder {}", escape(feeder)),
            };
            format!("<li><b>{}</b>{feeder}: logger {}</li>", escape(&logger.bank), escape(&logger.device))
        })
        .collect();
    format!(
        "<section class=\"unheard\" id=\"unheard\"><h2>Never heard from</h2><p>The register says that these loggers hang \
         there, and there is no log of theirs: nothing on this page is about them.</p><ul>{items}</ul></section>"
    )
}
