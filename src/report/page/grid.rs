//! Owns the results of a matrix as a grid: sortable and filterable by the page's script, readable without
//! it. How a cell ended is a sign and a word; colour comes on top.

use std::fmt::Write as _;

use serde_json::Value as Json;

use crate::report::amount;
use crate::report::gather::matrix::{Cell, Matrix};
use crate::report::table::{Table, Value, escaped};

pub(super) const ID: &str = "matrix";
pub(super) const TITLE: &str = "The matrix, cell by cell";

/// A column: heading, what it holds of a cell.
struct Column {
    heading: String,
    of: Box<dyn Fn(&Cell) -> Shown>,
}

/// What stands in a place of the grid.
#[derive(Default)]
struct Shown {
    /// HTML that is read.
    html: String,
    /// What it is sorted by as a number.
    number: Option<f64>,
}

fn text(words: &str) -> Shown {
    Shown {
        html: escaped(words),
        number: None,
    }
}

/// Sign, word and class of an outcome.
fn outcome(word: &str) -> (&'static str, &'static str) {
    match word {
        "passed" => ("\u{2713}", "passed"),
        "failed" => ("\u{2717}", "failed"),
        "invalid" => ("?", "invalid"),
        _ => ("!", "broken"),
    }
}

/// The page's section.
pub(super) fn html(matrix: &Matrix) -> String {
    let columns = columns(matrix);
    let mut page = format!("<section aria-labelledby=\"{ID}\">\n<h2 id=\"{ID}\">{TITLE}</h2>\n");
    page += &head(matrix);
    page += &controls(matrix);
    page += "<div class=\"wide broad\" role=\"group\" aria-label=\"Cells of the matrix\" tabindex=\"0\">\n\
             <table id=\"grid\"><caption>Cells of the matrix. The headings sort.</caption>\n<thead><tr>";
    for column in &columns {
        let heading = escaped(&column.heading);
        let _ = write!(page, "<th scope=\"col\">{heading}</th>");
    }
    page += "</tr></thead>\n<tbody>\n";
    for cell in &matrix.cells {
        let _ = write!(page, "<tr data-outcome=\"{}\">", escaped(&cell.outcome));
        for (at, column) in columns.iter().enumerate() {
            let shown = (column.of)(cell);
            let sorted = shown
                .number
                .map(|number| format!(" class=\"n\" data-v=\"{number}\""));
            let sorted = sorted.unwrap_or_default();
            let _ = if at == 0 {
                write!(page, "<th scope=\"row\"{sorted}>{}</th>", shown.html)
            } else {
                write!(page, "<td{sorted}>{}</td>", shown.html)
            };
        }
        page += "</tr>\n";
    }
    page + "</tbody></table></div>\n</section>\n"
}

/// What the head of the results says, but for its kind and version.
fn head(matrix: &Matrix) -> String {
    let told = matrix.head.iter().filter(|(key, value)| {
        let simple = value.is_string() || value.is_number() || value.is_boolean();
        simple && *key != "kind" && *key != "version"
    });
    let lines: Vec<String> = told
        .map(|(key, value)| {
            format!(
                "<dt>{}</dt><dd>{}</dd>",
                escaped(key),
                escaped(&plain(value))
            )
        })
        .collect();
    if lines.is_empty() {
        return String::new();
    }
    format!("<dl>\n{}\n</dl>\n", lines.join("\n"))
}

fn controls(matrix: &Matrix) -> String {
    let mut words: Vec<&str> = matrix
        .cells
        .iter()
        .map(|cell| cell.outcome.as_str())
        .collect();
    words.sort_unstable();
    words.dedup();
    let options: Vec<String> = words
        .iter()
        .map(|word| format!("<option value=\"{0}\">{0}</option>", escaped(word)))
        .collect();
    format!(
        "<form id=\"sieve\" hidden>\n\
         <label>Show rows with <input type=\"search\" id=\"sieve-words\"></label>\n\
         <label>Outcome <select id=\"sieve-outcome\"><option value=\"\">all</option>{}</select></label>\n\
         <output id=\"sieve-count\" aria-live=\"polite\"></output>\n</form>\n",
        options.concat()
    )
}

fn columns(matrix: &Matrix) -> Vec<Column> {
    let mut columns: Vec<Column> = Vec::new();
    let mut column = |heading: &str, of: Box<dyn Fn(&Cell) -> Shown>| {
        columns.push(Column {
            heading: heading.to_owned(),
            of,
        });
    };
    let number = |value: u64, words: String| Shown {
        html: escaped(&words),
        number: Some(amount::float(value)),
    };
    column(
        "cell",
        Box::new(move |cell| number(cell.number, cell.number.to_string())),
    );
    column("outcome", Box::new(outcome_shown));
    column("profile", Box::new(|cell| text(&cell.profile)));
    column("start", Box::new(|cell| text(&cell.start)));
    column("workload", Box::new(|cell| text(&cell.workload)));
    column(
        "seed",
        Box::new(move |cell| {
            cell.seed
                .map_or_else(Shown::default, |seed| number(seed, seed.to_string()))
        }),
    );
    column("changes", Box::new(changes));
    column("assertions", Box::new(assertions));
    for name in figures(matrix) {
        let heading = heading(&name);
        column(
            &heading,
            Box::new(move |cell| figure(&name, cell.figures.get(&name))),
        );
    }
    column(
        "took (real)",
        Box::new(move |cell| {
            let ns = cell.took_ms.map(|ms| ms.saturating_mul(1_000_000));
            ns.map_or_else(Shown::default, |ns| number(ns, amount::time(ns)))
        }),
    );
    // A column that says nothing of any cell is in the way.
    columns.retain(|column| {
        matrix
            .cells
            .iter()
            .any(|cell| !(column.of)(cell).html.is_empty())
    });
    columns
}

fn outcome_shown(cell: &Cell) -> Shown {
    let (sign, class) = outcome(&cell.outcome);
    let word = escaped(&cell.outcome);
    let mut html =
        format!("<span class=\"{class}\"><span aria-hidden=\"true\">{sign}</span> {word}</span>");
    if let Some(reason) = &cell.reason {
        let _ = write!(html, "<br><small>{}</small>", escaped(reason));
    }
    Shown { html, number: None }
}

fn assertions(cell: &Cell) -> Shown {
    let lines: Vec<String> = cell
        .assertions
        .iter()
        .map(|one| {
            let (sign, word) = if one.holds {
                ("\u{2713}", "holds")
            } else {
                ("\u{2717}", "broken")
            };
            let (what, measured) = (escaped(&one.what), escaped(&one.measured));
            let measured = if measured.is_empty() {
                measured
            } else {
                format!(" ({measured})")
            };
            format!("<li><span aria-hidden=\"true\">{sign}</span> {word}: {what}{measured}</li>")
        })
        .collect();
    if lines.is_empty() {
        return Shown::default();
    }
    Shown {
        html: format!("<ul>{}</ul>", lines.concat()),
        number: None,
    }
}

fn changes(cell: &Cell) -> Shown {
    if cell.changes.is_empty() {
        return Shown::default();
    }
    let words = escaped(&cell.changes.join(", "));
    Shown {
        html: format!("<span class=\"long\">{words}</span>"),
        number: None,
    }
}

/// Names of all figures, in the order in which they occur.
fn figures(matrix: &Matrix) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for name in matrix.cells.iter().flat_map(|cell| cell.figures.keys()) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

const UNITS: [&str; 4] = ["_bytes_per_s", "_bytes", "_ns", "_milli"];

/// A figure's name without its unit, which stands at the values.
fn heading(name: &str) -> String {
    let unit = UNITS.iter().find_map(|unit| name.strip_suffix(unit));
    unit.unwrap_or(name).replace('_', " ")
}

fn figure(name: &str, value: Option<&Json>) -> Shown {
    let Some(value) = value.filter(|value| !value.is_null()) else {
        return Shown::default();
    };
    let Some(whole) = value.as_u64() else {
        return Shown {
            html: escaped(&plain(value)),
            number: value.as_f64(),
        };
    };
    let words = match UNITS.iter().find(|unit| name.ends_with(*unit)) {
        Some(&"_bytes_per_s") => format!("{}/s", amount::bytes(whole)),
        Some(&"_bytes") => amount::bytes(whole),
        Some(&"_ns") => amount::time(whole),
        Some(&"_milli") => amount::thousandths(whole),
        _ => amount::grouped(whole),
    };
    Shown {
        html: escaped(&words),
        number: Some(amount::float(whole)),
    }
}

/// A value as it is said: text without its quotes.
fn plain(value: &Json) -> String {
    value
        .as_str()
        .map_or_else(|| value.to_string(), ToOwned::to_owned)
}

/// The same cells as a table of exact values; a row for each figure of each cell.
pub(super) fn table(matrix: &Matrix) -> Table {
    let mut table = Table::new(&[
        ("cell", "cell"),
        ("outcome", "outcome"),
        ("profile", "profile"),
        ("start", "start"),
        ("workload", "workload"),
        ("seed", "seed"),
        ("changes", "changes"),
        ("figure", "figure"),
        ("value", "value"),
    ]);
    for cell in &matrix.cells {
        let own = [
            Value::Count(cell.number),
            Value::words(&cell.outcome),
            Value::words(&cell.profile),
            Value::words(&cell.start),
            Value::words(&cell.workload),
            cell.seed.map_or(Value::Nothing, Value::Count),
            Value::Text(cell.changes.join(" ")),
        ];
        let figures = cell.figures.iter().map(|(name, value)| {
            let value = value
                .as_u64()
                .map_or_else(|| Value::Text(plain(value)), Value::Count);
            [Value::words(name), value]
        });
        let mut figures: Vec<[Value; 2]> = figures.collect();
        if figures.is_empty() {
            figures.push([Value::Nothing, Value::Nothing]);
        }
        for figure in figures {
            table.add(own.iter().cloned().chain(figure).collect());
        }
    }
    table
}
