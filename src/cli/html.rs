//! What pages that commands write have in common: one file, no script, nothing fetched from
//! elsewhere.

/// The beginning of a page, up to its first heading.
pub(super) fn head(title: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width\"><title>{title}</title>\
         <style>body{{font:16px sans-serif;max-width:44rem;margin:1rem auto;padding:0 1rem}}\
         svg{{max-width:100%;height:auto}}pre{{overflow-x:auto}}\
         table{{border-collapse:collapse}}th,td{{text-align:left;padding:.2rem .8rem .2rem 0;\
         border-bottom:1px solid #888;vertical-align:top}}</style></head><body>\n\
         <h1>{title}</h1>\n",
        title = escaped(title)
    )
}

/// The end of a page.
pub(super) const END: &str = "</body></html>\n";

/// A text that is shown as it is.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
