//! Owns the canvas: a figure is drawn on it and becomes SVG, for a page or as a file of its own.
//!
//! Always holds: the SVG is well-formed whatever it was told, it names itself and says what it shows,
//! and it asks for nothing from elsewhere.

use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, DrawingAreaErrorKind, IntoDrawingArea};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoFont, TextStyle};

use super::ink::{self, Ink};
use crate::report::table::escaped;

/// Where a figure is drawn, in units of the canvas.
pub(in crate::report) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
/// Drawing to memory does not fail, but the library cannot know.
pub(in crate::report) type DrawError = DrawingAreaErrorKind<std::io::Error>;
/// What drawing hands back.
pub(in crate::report) type DrawResult<T = ()> = Result<T, DrawError>;

/// Width of every figure. The page shows it in about 60 % of that.
pub(in crate::report) const WIDTH: u32 = 1600;
/// Size of text.
pub(in crate::report) const TEXT: i32 = 28;

/// A figure that was drawn, with markers for colours.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::report) struct Drawing {
    svg: String,
    height: u32,
}

/// Draws on a canvas of that height.
pub(in crate::report) fn draw(height: u32, paint: impl FnOnce(&Area<'_>) -> DrawResult) -> Drawing {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        let painted = paint(&area).and_then(|()| area.present());
        painted.expect("drawing goes to memory");
    }
    Drawing { svg, height }
}

/// Text in that style, anchored.
pub(in crate::report) fn text_style(ink: Ink, across: HPos, down: VPos) -> TextStyle<'static> {
    let mut style = TextStyle::from(("sans-serif", TEXT).into_font());
    style.color = ink.marker().to_backend_color();
    style.pos(Pos::new(across, down))
}

impl Drawing {
    /// As a part of a page.
    pub(in crate::report) fn for_page(&self, id: &str, title: &str, told: &str) -> String {
        self.finish(&ink::for_page(&self.svg), id, (title, told), "")
    }

    /// As a file of its own, on white.
    pub(in crate::report) fn for_file(&self, id: &str, title: &str, told: &str) -> String {
        let paper = "<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n";
        self.finish(&ink::for_file(&self.svg), id, (title, told), paper)
    }

    fn finish(&self, svg: &str, id: &str, (title, told): (&str, &str), below: &str) -> String {
        // The head is the library's own; ours also says what is shown.
        let body = svg.split_once('>').map_or("", |(_, body)| body);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {}\" role=\"img\" \
             aria-labelledby=\"{id}-name {id}-told\">\n<title id=\"{id}-name\">{}</title>\n\
             <desc id=\"{id}-told\">{}</desc>\n{below}{}",
            self.height,
            escaped(title),
            escaped(told),
            body.trim_start()
        )
    }
}
