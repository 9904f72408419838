//! Owns the shapes that mark what a figure tells apart beside colour, and how each is drawn.

use plotters::element::{Circle, PathElement, Polygon};
use plotters::style::{Color, ShapeStyle};

use super::canvas::{Area, DrawResult};
use super::ink::Ink;

/// A shape.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) enum Shape {
    /// A filled circle.
    Disc,
    /// An open circle.
    Ring,
    /// A filled square.
    Square,
    /// An open square.
    OpenSquare,
    /// A filled diamond.
    Diamond,
    /// An open diamond.
    OpenDiamond,
    /// A triangle that points up.
    Up,
    /// A triangle that points down.
    Down,
    /// An upright cross.
    Plus,
    /// A diagonal cross.
    Cross,
}

/// Half of its size.
const REACH: i32 = 9;

/// Draws a shape around a point of the canvas.
pub(in crate::report) fn draw(
    area: &Area<'_>,
    (x, y): (i32, i32),
    shape: Shape,
    ink: Ink,
) -> DrawResult {
    let reach = REACH;
    let filled = ink.marker().filled();
    let line = ink.marker().stroke_width(4);
    let points = |offsets: &[(i32, i32)]| -> Vec<(i32, i32)> {
        offsets.iter().map(|(dx, dy)| (x + dx, y + dy)).collect()
    };
    let square = points(&[
        (-reach, -reach),
        (reach, -reach),
        (reach, reach),
        (-reach, reach),
    ]);
    let wide = reach + 2;
    let diamond = points(&[(0, -wide), (wide, 0), (0, wide), (-wide, 0)]);
    match shape {
        Shape::Disc => area.draw(&Circle::new((x, y), reach, filled)),
        Shape::Ring => area.draw(&Circle::new((x, y), reach, line)),
        Shape::Square => polygon(area, square, filled),
        Shape::OpenSquare => outline(area, square, line),
        Shape::Diamond => polygon(area, diamond, filled),
        Shape::OpenDiamond => outline(area, diamond, line),
        Shape::Up => polygon(
            area,
            points(&[(0, -wide), (wide, reach), (-wide, reach)]),
            filled,
        ),
        Shape::Down => polygon(
            area,
            points(&[(0, wide), (wide, -reach), (-wide, -reach)]),
            filled,
        ),
        Shape::Plus => lines(
            area,
            &points(&[(-wide, 0), (wide, 0), (0, -wide), (0, wide)]),
            line,
        ),
        Shape::Cross => {
            let ends = [
                (-reach, -reach),
                (reach, reach),
                (-reach, reach),
                (reach, -reach),
            ];
            lines(area, &points(&ends), line)
        }
    }
}

fn polygon(area: &Area<'_>, points: Vec<(i32, i32)>, style: ShapeStyle) -> DrawResult {
    area.draw(&Polygon::new(points, style))
}

fn outline(area: &Area<'_>, mut points: Vec<(i32, i32)>, style: ShapeStyle) -> DrawResult {
    points.extend_from_within(..1);
    area.draw(&PathElement::new(points, style))
}

/// Two lines, each between two of four points.
fn lines(area: &Area<'_>, points: &[(i32, i32)], style: ShapeStyle) -> DrawResult {
    let mut ends = points.chunks_exact(2);
    ends.try_for_each(|ends| area.draw(&PathElement::new(ends.to_vec(), style)))
}
