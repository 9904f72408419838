//! Owns tables: the data behind a figure, exact as CSV and readable as HTML; and the escaping of text
//! that comes from outside.
//!
//! Always holds: whatever a name is, it is text in the page and one field in the CSV.

use std::fmt::Write as _;

use super::amount;

/// A value, and how it is read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Value {
    /// Nothing is known.
    Nothing,
    /// Words.
    Text(String),
    /// How many.
    Count(u64),
    /// Nanoseconds.
    Time(u64),
    /// Bytes in all.
    Bytes(u64),
    /// Bytes of a request.
    Size(u64),
}

/// Rows of values under names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Table {
    /// Of each column: its heading, its name in a file, which tells the unit.
    pub(super) columns: Vec<(&'static str, &'static str)>,
    /// Rows, as many values each as there are columns.
    pub(super) rows: Vec<Vec<Value>>,
}

impl Value {
    /// Words that may be missing.
    pub(super) fn words(text: &str) -> Value {
        Value::Text(text.to_owned())
    }

    fn shown(&self) -> String {
        match self {
            Value::Nothing => "–".to_owned(),
            Value::Text(text) => text.clone(),
            Value::Count(count) => amount::grouped(*count),
            Value::Time(ns) => amount::time(*ns),
            Value::Bytes(bytes) => amount::bytes(*bytes),
            Value::Size(bytes) => amount::size(*bytes),
        }
    }

    fn exact(&self) -> String {
        match self {
            Value::Nothing => String::new(),
            Value::Text(text) => field(text),
            Value::Count(value) | Value::Time(value) | Value::Bytes(value) | Value::Size(value) => {
                value.to_string()
            }
        }
    }

    fn is_number(&self) -> bool {
        !matches!(self, Value::Text(_))
    }
}

impl Table {
    /// An empty table.
    pub(super) fn new(columns: &[(&'static str, &'static str)]) -> Table {
        Table {
            columns: columns.to_vec(),
            rows: Vec::new(),
        }
    }

    /// Adds a row.
    pub(super) fn add(&mut self, row: Vec<Value>) {
        assert_eq!(row.len(), self.columns.len(), "a value for each column");
        self.rows.push(row);
    }

    /// All of it, with a head, as comma-separated values.
    pub(super) fn csv(&self) -> String {
        let names: Vec<&str> = self.columns.iter().map(|(_, name)| *name).collect();
        let mut text = names.join(",") + "\n";
        for row in &self.rows {
            let fields: Vec<String> = row.iter().map(Value::exact).collect();
            let _ = writeln!(text, "{}", fields.join(","));
        }
        text
    }

    /// All of it as HTML under a caption.
    pub(super) fn html(&self, caption: &str) -> String {
        let mut text = format!(
            "<table><caption>{}</caption>\n<thead><tr>",
            escaped(caption)
        );
        for (heading, _) in &self.columns {
            let _ = write!(text, "<th scope=\"col\">{}</th>", escaped(heading));
        }
        text.push_str("</tr></thead>\n<tbody>\n");
        for row in &self.rows {
            text.push_str("<tr>");
            for (at, value) in row.iter().enumerate() {
                let shown = escaped(&value.shown());
                let class = if value.is_number() {
                    " class=\"n\""
                } else {
                    ""
                };
                let _ = if at == 0 {
                    write!(text, "<th scope=\"row\"{class}>{shown}</th>")
                } else {
                    write!(text, "<td{class}>{shown}</td>")
                };
            }
            text.push_str("</tr>\n");
        }
        text + "</tbody></table>\n"
    }
}

/// A field of a line: quoted where it has to be.
fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// Text for the content of an element or an attribute in quotes. What has no place in such text (control
/// characters) becomes a sign for it.
pub(super) fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\n' | '\t' => safe.push(c),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn table(text: &str) -> Table {
        let mut table = Table::new(&[("who", "who"), ("how long", "took_ns")]);
        table.add(vec![Value::words(text), Value::Time(1_500_000)]);
        table.add(vec![Value::Nothing, Value::Nothing]);
        table
    }

    #[test]
    fn numbers_are_exact_in_a_file_and_readable_on_a_page() {
        let table = table("somebody");
        assert_eq!(table.csv(), "who,took_ns\nsomebody,1500000\n,\n");
        let html = table.html("all of them");
        assert!(html.contains("<td class=\"n\">1.50 ms</td>"), "{html}");
        assert!(html.contains("<caption>all of them</caption>"));
    }

    #[test]
    fn a_name_that_is_a_script_is_shown_and_not_run() {
        let html = table("<script>alert('&')</script>").html("a < b");
        assert!(!html.contains("<script"), "{html}");
        assert!(html.contains("&lt;script&gt;alert(&#39;&amp;&#39;)&lt;/script&gt;"));
        assert!(html.contains("<caption>a &lt; b</caption>"));
    }

    /// Fields and lines of RFC 4180.
    fn parsed(csv: &str) -> Vec<Vec<String>> {
        let (mut rows, mut row, mut field) = (Vec::new(), Vec::new(), String::new());
        let mut quoted = false;
        let mut chars = csv.chars().peekable();
        while let Some(c) = chars.next() {
            match c {
                '"' if quoted && chars.peek() == Some(&'"') => field.extend(chars.next()),
                '"' => quoted = !quoted,
                ',' if !quoted => row.push(std::mem::take(&mut field)),
                '\n' if !quoted => {
                    row.push(std::mem::take(&mut field));
                    rows.push(std::mem::take(&mut row));
                }
                c => field.push(c),
            }
        }
        rows
    }

    proptest! {
        #[test]
        fn any_text_is_one_field(text in "[a-z,\"\n\r ]{0,12}") {
            let rows = parsed(&table(&text).csv());
            prop_assert_eq!(rows.len(), 3);
            prop_assert_eq!(&rows[1], &[text, "1500000".to_owned()]);
        }

        #[test]
        fn escaped_text_opens_no_element_and_closes_no_attribute(text in any::<String>()) {
            let safe = escaped(&text);
            prop_assert!(!safe.contains(['<', '>', '"', '\'', '\0']));
        }
    }
}
