//! The page: one HTML file with everything in it, for a screen, for paper, for a screen reader.
//!
//! Reading order: the frame (here), results of a matrix as a grid (`grid`); how it looks (`style.css`), what
//! sorts and filters (`script.js`). Always holds: it asks the network for nothing and forbids itself to;
//! everything in it can be read without the script; names are text, whatever they are.

mod grid;

use std::fmt::Write as _;

use super::figures::{self, Figure};
use super::gather::Material;
use super::plot::ink;
use super::table::escaped;
use super::words;

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");
/// Rows of a table that is shown without being asked for.
const OPEN_ROWS_MAX: usize = 16;

/// A report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// The page.
    pub html: String,
    /// Its figures.
    pub figures: Vec<Figure>,
    /// The results of a matrix as comma-separated values, where there are any.
    pub grid: Option<String>,
}

/// Makes a report; `title`: instead of what the files say.
pub fn make(material: &Material, title: Option<&str>) -> Report {
    let figures = figures::all(material);
    let title = title.map_or_else(|| words::title(material), ToOwned::to_owned);
    let mut html = head(&title);
    html += &words_of(material);
    html += &contents(&figures, material.matrix.is_some());
    if let Some(matrix) = &material.matrix {
        html += &grid::html(matrix);
    }
    for figure in &figures {
        html += &section(figure);
    }
    if figures.is_empty() && material.matrix.is_none() {
        html += "<p>The files hold no requests and no jobs: there is nothing to draw.</p>\n";
    }
    html += &foot(material);
    let grid = material
        .matrix
        .as_ref()
        .map(|matrix| grid::table(matrix).csv());
    Report {
        html,
        figures,
        grid,
    }
}

fn head(title: &str) -> String {
    let title = escaped(title);
    let variables = ink::variables();
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; \
         style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <link rel=\"icon\" href=\"data:,\">\n<title>{title}</title>\n\
         <style>\n{variables}{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#main\">To the content</a>\n\
         <header><h1>{title}</h1></header>\n<main id=\"main\">\n"
    )
}

fn words_of(material: &Material) -> String {
    let mut text =
        "<section aria-labelledby=\"words\">\n<h2 id=\"words\">In words</h2>\n<dl>\n".to_owned();
    for said in words::said(material) {
        let class = if said.alarm { " class=\"alarm\"" } else { "" };
        let sign = if said.alarm {
            "<strong>Attention:</strong> "
        } else {
            ""
        };
        let (about, words) = (escaped(said.about), escaped(&said.text));
        let _ = writeln!(text, "<dt>{about}</dt><dd{class}>{sign}{words}</dd>");
    }
    text + "</dl>\n</section>\n"
}

fn contents(figures: &[Figure], matrix: bool) -> String {
    if figures.len() + usize::from(matrix) < 2 {
        return String::new();
    }
    let mut text = "<nav aria-label=\"Contents\">\n<ul>\n".to_owned();
    let grid = matrix.then_some((grid::ID, grid::TITLE));
    let figures = figures.iter().map(|figure| (figure.id, figure.title));
    for (id, title) in grid.into_iter().chain(figures) {
        let _ = writeln!(text, "<li><a href=\"#{id}\">{title}</a></li>");
    }
    text + "</ul>\n</nav>\n"
}

fn section(figure: &Figure) -> String {
    let Figure { id, title, .. } = figure;
    let (told, caption) = (escaped(&figure.told), escaped(&figure.caption));
    let mut text = format!(
        "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{title}</h2>\n<p>{told}</p>\n\
         <figure><div class=\"wide\" role=\"group\" aria-label=\"{title}\" tabindex=\"0\">\n{}</div>\n\
         <figcaption>{caption}</figcaption></figure>\n",
        figure.drawing.for_page(id, title, &figure.told)
    );
    for (caption, table) in &figure.tables {
        let words = escaped(caption);
        let rows = format!(
            "<div class=\"wide\" role=\"group\" aria-label=\"{words}\" tabindex=\"0\">\n{}</div>\n",
            table.html(caption)
        );
        if table.rows.len() <= OPEN_ROWS_MAX {
            text += &rows;
        } else {
            let count = table.rows.len();
            let _ = writeln!(
                text,
                "<details><summary>{words}: the data as a table ({count} rows)</summary>\n{rows}</details>"
            );
        }
    }
    text + "</section>\n"
}

fn foot(material: &Material) -> String {
    let named = |path: &std::path::Path| {
        let name = path.file_name().unwrap_or(path.as_os_str());
        escaped(&name.to_string_lossy())
    };
    let files: Vec<String> = material.files.iter().map(|(path, _)| named(path)).collect();
    let of = if files.is_empty() {
        String::new()
    } else {
        format!(" of {}", files.join(", "))
    };
    let version = env!("CARGO_PKG_VERSION");
    format!(
        "</main>\n<footer><p>Made by imbrex {version}{of}. Times are model time.</p></footer>\n\
         <script>\n{SCRIPT}</script>\n</body>\n</html>\n"
    )
}

#[cfg(test)]
mod tests;
