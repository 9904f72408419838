//! Owns a panel: a rectangle of a figure with two axes, and what is drawn between them.

use std::ops::Range;

use plotters::backend::SVGBackend;
use plotters::chart::{ChartBuilder, ChartContext};
use plotters::coord::cartesian::Cartesian2d;
use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::coord::types::RangedCoordf64;
use plotters::element::{Rectangle, Text};
use plotters::series::{DashedLineSeries, LineSeries};
use plotters::style::Color;
use plotters::style::text_anchor::{HPos, VPos};

use super::axis::Axis;
use super::canvas::{Area, DrawResult, text_style};
use super::ink::Ink;
use super::shape::{self, Shape};

type Coordinates = Cartesian2d<Scale, Scale>;

/// An axis as the library wants it.
struct Scale {
    positions: RangedCoordf64,
    ticks: Vec<(f64, String)>,
}

impl Scale {
    fn of(axis: &Axis) -> Scale {
        Scale {
            positions: (axis.ends.0..axis.ends.1).into(),
            ticks: axis.ticks.clone(),
        }
    }
}

impl Ranged for Scale {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        self.positions.map(value, limit)
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() {
            return Vec::new();
        }
        self.ticks.iter().map(|(at, _)| *at).collect()
    }

    fn range(&self) -> Range<f64> {
        self.positions.range()
    }
}

impl ValueFormatter<f64> for Scale {
    fn format_ext(&self, value: &f64) -> String {
        let nearest = self
            .ticks
            .iter()
            .min_by(|(one, _), (other, _)| (one - value).abs().total_cmp(&(other - value).abs()));
        nearest.map(|(_, label)| label.clone()).unwrap_or_default()
    }
}

/// A panel.
pub(in crate::report) struct Panel<'a> {
    area: Area<'a>,
    chart: ChartContext<'a, SVGBackend<'a>, Coordinates>,
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) enum Line {
    /// Without gaps.
    Solid,
    /// Long strokes.
    Dashed,
    /// Short strokes.
    Dotted,
}

impl Line {
    /// Length of a stroke and of the gap after it.
    fn strokes(self) -> Option<(u32, u32)> {
        match self {
            Line::Solid => None,
            Line::Dashed => Some((22, 10)),
            Line::Dotted => Some((5, 9)),
        }
    }
}

/// What a panel needs around it.
#[derive(Clone, Copy, Debug)]
pub(in crate::report) struct Frame<'a> {
    /// Written above it.
    pub(in crate::report) title: &'a str,
    /// Room for the labels on the left.
    pub(in crate::report) left: u32,
    /// Room for the labels below.
    pub(in crate::report) below: u32,
}

impl Default for Frame<'_> {
    fn default() -> Self {
        Frame {
            title: "",
            left: 170,
            below: 86,
        }
    }
}

impl<'a> Panel<'a> {
    /// An empty panel that fills `area`.
    pub(in crate::report) fn new(
        area: &Area<'a>,
        frame: Frame<'_>,
        across: &Axis,
        up: &Axis,
    ) -> DrawResult<Panel<'a>> {
        let mut builder = ChartBuilder::on(area);
        let top = if frame.title.is_empty() { 16 } else { 46 };
        builder
            .margin_right(56)
            .margin_top(top)
            .x_label_area_size(frame.below)
            .y_label_area_size(frame.left);
        let mut chart = builder.build_cartesian_2d(Scale::of(across), Scale::of(up))?;
        if !frame.title.is_empty() {
            let style = text_style(Ink::Text, HPos::Left, VPos::Top);
            let left = i32::try_from(frame.left).unwrap_or(0);
            area.draw(&Text::new(frame.title.to_owned(), (left, 8), style))?;
        }
        let mut mesh = chart.configure_mesh();
        if !up.ruled {
            mesh.disable_y_mesh();
        }
        mesh.axis_style(Ink::Text.marker().stroke_width(2))
            .bold_line_style(Ink::Grid.marker().stroke_width(2))
            .label_style(text_style(Ink::Text, HPos::Left, VPos::Top))
            .axis_desc_style(text_style(Ink::Text, HPos::Left, VPos::Top))
            .x_desc(across.name.as_str())
            .y_desc(up.name.as_str())
            .draw()?;
        Ok(Panel {
            area: area.clone(),
            chart,
        })
    }

    /// Where a point lies on the panel's area.
    pub(in crate::report) fn pixel(&self, (x, y): (f64, f64)) -> (i32, i32) {
        let (x, y) = self.chart.backend_coord(&(x, y));
        let (left, top) = self.area.get_base_pixel();
        (x - left, y - top)
    }

    /// A line through points.
    pub(in crate::report) fn line(
        &mut self,
        points: &[(f64, f64)],
        ink: Ink,
        line: Line,
    ) -> DrawResult {
        let style = ink.marker().stroke_width(4);
        let points = points.iter().copied();
        match line.strokes() {
            None => self.chart.draw_series(LineSeries::new(points, style))?,
            Some((stroke, gap)) => {
                let dashes = DashedLineSeries::new(points, stroke, gap, style);
                self.chart.draw_series(dashes)?
            }
        };
        Ok(())
    }

    /// A filled rectangle between two corners, in one of four strengths.
    pub(in crate::report) fn cell(
        &self,
        one: (f64, f64),
        other: (f64, f64),
        ink: Ink,
        strength: u32,
    ) -> DrawResult {
        let (left, bottom) = self.pixel(one);
        let (right, top) = self.pixel(other);
        // Whatever there is can be seen.
        let corners = [(left, top), (right.max(left + 2), bottom.max(top + 2))];
        let opacity = f64::from(strength.clamp(1, 4)) / 4.0;
        let style = ink.marker().mix(opacity).filled();
        self.area.draw(&Rectangle::new(corners, style))
    }

    /// A shape at a point.
    pub(in crate::report) fn mark(&self, at: (f64, f64), (shape, ink): (Shape, Ink)) -> DrawResult {
        shape::draw(&self.area, self.pixel(at), shape, ink)
    }

    /// Text that begins right of a point.
    pub(in crate::report) fn text(&self, at: (f64, f64), words: &str) -> DrawResult {
        let (x, y) = self.pixel(at);
        let style = text_style(Ink::Text, HPos::Left, VPos::Center);
        self.area
            .draw(&Text::new(words.to_owned(), (x + 12, y), style))
    }

    /// Text in the middle above a point.
    pub(in crate::report) fn text_above(&self, at: (f64, f64), words: &str) -> DrawResult {
        let (x, y) = self.pixel(at);
        let style = text_style(Ink::Text, HPos::Center, VPos::Bottom);
        self.area
            .draw(&Text::new(words.to_owned(), (x, y - 14), style))
    }
}
