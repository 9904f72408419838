//! Owns the colours of pages and figures, by what they mean, for light and dark.
//!
//! Always holds: any two of one theme can be told apart by people who see colours as most do, and by those
//! with protanopia, deuteranopia or tritanopia; each stands out from its paper. Figures are drawn in
//! markers, which become a variable of the page or, in a file of its own, the colour of the light theme.

use std::fmt::Write as _;

use plotters::style::RGBColor;

/// A colour by what it means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) enum Ink {
    /// Paper.
    Paper,
    /// Text and axes.
    Text,
    /// Lines of the grid.
    Grid,
    /// Reading.
    Reads,
    /// Writing.
    Writes,
    /// The staging area.
    Staging,
    /// The map.
    Map,
    /// Cleaning.
    Cleaning,
    /// Whatever else.
    Other,
    /// What a person should look at.
    Alarm,
}

/// Name of the variable, light and dark.
type Tones = (&'static str, &'static str, &'static str);

impl Ink {
    const ALL: [Ink; 10] = [
        Ink::Paper,
        Ink::Text,
        Ink::Grid,
        Ink::Reads,
        Ink::Writes,
        Ink::Staging,
        Ink::Map,
        Ink::Cleaning,
        Ink::Other,
        Ink::Alarm,
    ];

    fn tones(self) -> Tones {
        match self {
            Ink::Paper => ("paper", "#ffffff", "#14181d"),
            Ink::Text => ("text", "#1c222a", "#e4e9ef"),
            Ink::Grid => ("grid", "#d5dae1", "#39424d"),
            Ink::Reads => ("reads", "#123a9c", "#53a9ef"),
            Ink::Writes => ("writes", "#e36f18", "#fd982d"),
            Ink::Staging => ("staging", "#a11fd0", "#a04bf2"),
            Ink::Map => ("map", "#655705", "#f3dd84"),
            Ink::Cleaning => ("cleaning", "#169f75", "#b4f2e6"),
            Ink::Other => ("other", "#66758f", "#8d97a2"),
            Ink::Alarm => ("alarm", "#760a2c", "#e0405a"),
        }
    }

    fn number(self) -> u8 {
        let all = (1_u8..).zip(Ink::ALL);
        let mut found = all.filter(|(_, ink)| *ink == self);
        found.next().expect("all colours are in the list").0
    }

    /// What it is drawn in; no colour that a person would choose.
    pub(in crate::report) fn marker(self) -> RGBColor {
        RGBColor(1, 2, self.number())
    }

    fn marker_text(self) -> String {
        format!("\"#0102{:02X}\"", self.number())
    }
}

/// A drawing whose markers become variables of the page.
pub(super) fn for_page(drawing: &str) -> String {
    replaced(drawing, |ink| format!("\"var(--{})\"", ink.tones().0))
}

/// A drawing whose markers become colours on white.
pub(super) fn for_file(drawing: &str) -> String {
    replaced(drawing, |ink| format!("\"{}\"", ink.tones().1))
}

fn replaced(drawing: &str, by: impl Fn(Ink) -> String) -> String {
    Ink::ALL.into_iter().fold(drawing.to_owned(), |text, ink| {
        text.replace(&ink.marker_text(), &by(ink))
    })
}

/// The variables of a page: light, dark where that is preferred, light on paper.
pub(in crate::report) fn variables() -> String {
    let block = |of: fn(Tones) -> &'static str| {
        let mut text = ":root {".to_owned();
        for ink in Ink::ALL {
            let tones = ink.tones();
            let _ = write!(text, " --{}: {};", tones.0, of(tones));
        }
        text + " }"
    };
    let (light, dark) = (block(|tones| tones.1), block(|tones| tones.2));
    format!(
        "{light}\n@media (prefers-color-scheme: dark) {{ {dark} }}\n@media print {{ {light} }}\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    type Linear = [f64; 3];

    fn linear(hex: &str) -> Linear {
        [1, 3, 5].map(|at| {
            let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 {
                value / 12.92
            } else {
                ((value + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    /// Relative luminance and contrast: Web Content Accessibility Guidelines 2.2.
    fn luminance([red, green, blue]: Linear) -> f64 {
        0.2126 * red + 0.7152 * green + 0.0722 * blue
    }

    fn contrast(one: &str, other: &str) -> f64 {
        let (a, b) = (luminance(linear(one)), luminance(linear(other)));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// CIE L*a*b*, white point D65.
    fn lab([red, green, blue]: Linear) -> Linear {
        let x = (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.95047;
        let y = 0.2126 * red + 0.7152 * green + 0.0722 * blue;
        let z = (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.08883;
        let f = |t: f64| {
            if t > 0.008_856 {
                t.cbrt()
            } else {
                7.787 * t + 16.0 / 116.0
            }
        };
        [
            116.0 * f(y) - 16.0,
            500.0 * (f(x) - f(y)),
            200.0 * (f(y) - f(z)),
        ]
    }

    /// Severity 1.0 in "A physiologically-based model for simulation of color vision deficiency",
    /// IEEE Transactions on Visualization and Computer Graphics 15(6), 2009, on linear RGB.
    const DEFICIENCIES: [[Linear; 3]; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
        [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
        [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ],
    ];

    fn seen(matrix: &[Linear; 3], colour: Linear) -> Linear {
        matrix.map(|row| {
            let sum: f64 = row.iter().zip(colour).map(|(a, b)| a * b).sum();
            sum.clamp(0.0, 1.0)
        })
    }

    fn themes() -> [Vec<&'static str>; 2] {
        let tones = Ink::ALL.map(Ink::tones);
        [
            tones.iter().map(|t| t.1).collect(),
            tones.iter().map(|t| t.2).collect(),
        ]
    }

    /// A difference of 2.3 is just noticed (common practice); areas beside each other take far more.
    #[test]
    fn colours_differ_for_everyone() {
        for theme in themes() {
            let colours = &theme[3..];
            for (at, one) in colours.iter().enumerate() {
                for other in &colours[at + 1..] {
                    for matrix in &DEFICIENCIES {
                        let [a, b] = [one, other].map(|hex| lab(seen(matrix, linear(hex))));
                        let squares = a.iter().zip(b).map(|(a, b)| (a - b).powi(2));
                        let distance = squares.sum::<f64>().sqrt();
                        assert!(distance > 15.0, "{one} {other}: {distance}");
                    }
                }
            }
        }
    }

    /// Success criteria 1.4.3 and 1.4.11 of the same guidelines: 4.5 for text, 3 for figures.
    #[test]
    fn colours_stand_out_from_their_paper() {
        for theme in themes() {
            let paper = theme[0];
            assert!(contrast(theme[1], paper) > 4.5);
            for colour in &theme[3..] {
                let found = contrast(colour, paper);
                assert!(found > 3.0, "{colour} on {paper}: {found}");
            }
        }
    }

    #[test]
    fn no_marker_is_left() {
        let drawn: String = Ink::ALL.map(Ink::marker_text).concat();
        for text in [for_page(&drawn), for_file(&drawn)] {
            assert!(!text.contains("#0102"), "{text}");
        }
        assert!(for_page(&drawn).contains("var(--alarm)"));
    }
}
