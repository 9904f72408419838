//! Owns the explanation of a figure: a row of signs with their words, above its panels.

use plotters::element::{PathElement, Rectangle, Text};
use plotters::style::Color;
use plotters::style::text_anchor::{HPos, VPos};

use super::canvas::{Area, DrawResult, TEXT, WIDTH, text_style};
use super::ink::Ink;
use super::panel::Line;
use super::shape::{self, Shape};

/// What a word is explained by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) enum Sign {
    /// A line with shapes on it, or none.
    Line(Ink, Line, Option<Shape>),
    /// A shape.
    Shape(Ink, Shape),
    /// A filled rectangle of a strength.
    Fill(Ink, u32),
}

/// Height of a row.
pub(in crate::report) const ROW: u32 = 44;
const SIGN_WIDTH: i32 = 62;
const LEFT: i32 = 20;

/// Width of a text, about: the page's font is not known.
fn width(words: &str) -> i32 {
    let letters = i32::try_from(words.chars().count()).unwrap_or(i32::MAX / 1000);
    letters * TEXT / 2
}

/// Where each entry stands: column and row.
fn places(entries: &[(Sign, String)]) -> Vec<(i32, i32)> {
    let right = i32::try_from(WIDTH).unwrap_or(i32::MAX) - LEFT;
    let (mut x, mut row) = (LEFT, 0);
    let place = |(_, words): &(Sign, String)| {
        let needed = SIGN_WIDTH + 10 + width(words);
        if x > LEFT && x + needed > right {
            (x, row) = (LEFT, row + 1);
        }
        let at = (x, row);
        x += needed + 34;
        at
    };
    entries.iter().map(place).collect()
}

/// How many rows these entries take.
pub(in crate::report) fn rows(entries: &[(Sign, String)]) -> u32 {
    let last = places(entries).last().map_or(-1, |(_, row)| *row);
    u32::try_from(last + 1).unwrap_or(0)
}

/// Draws the entries at the top of `area`.
pub(in crate::report) fn draw(area: &Area<'_>, entries: &[(Sign, String)]) -> DrawResult {
    let height = i32::try_from(ROW).unwrap_or(0);
    for ((sign, words), (x, row)) in entries.iter().zip(places(entries)) {
        let y = row * height + height / 2;
        draw_sign(area, *sign, (x, y))?;
        let style = text_style(Ink::Text, HPos::Left, VPos::Center);
        area.draw(&Text::new(words.clone(), (x + SIGN_WIDTH + 10, y), style))?;
    }
    Ok(())
}

fn draw_sign(area: &Area<'_>, sign: Sign, (x, y): (i32, i32)) -> DrawResult {
    let end = x + SIGN_WIDTH;
    match sign {
        Sign::Line(ink, line, shape) => {
            let style = ink.marker().stroke_width(4);
            let ways: &[(i32, i32)] = match line {
                Line::Solid => &[(0, 62)],
                Line::Dashed => &[(0, 22), (32, 54)],
                Line::Dotted => &[(0, 5), (14, 19), (28, 33), (42, 47), (56, 61)],
            };
            for (from, to) in ways {
                area.draw(&PathElement::new(vec![(x + from, y), (x + to, y)], style))?;
            }
            match shape {
                Some(shape) => shape::draw(area, (x + SIGN_WIDTH / 2, y), shape, ink),
                None => Ok(()),
            }
        }
        Sign::Shape(ink, shape) => shape::draw(area, (end - 20, y), shape, ink),
        Sign::Fill(ink, strength) => {
            let style = ink.marker().mix(f64::from(strength) / 4.0).filled();
            area.draw(&Rectangle::new([(x + 16, y - 12), (end, y + 12)], style))
        }
    }
}
