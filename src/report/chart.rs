//! A sheet of SVG with a time axis: what the strip chart and the train graphs have in common.
//!
//! Input: marks in pixels. Output: SVG text. Colours are of the Okabe-Ito palette (Okabe and Ito
//! 2008; Wong, Nature Methods 8:441, 2011) and never say anything alone: form comes first.

use plotters::prelude::*;

use super::Session;

/// Width of every chart, in pixels; it scales to the sheet.
pub(super) const WIDTH: i32 = 1_200;
/// Room for names at the left.
pub(super) const LEFT: i32 = 150;
/// Room at the right.
const RIGHT: i32 = 12;
/// Room for times at the bottom.
const BOTTOM: i32 = 26;
/// Steps of a time axis, in seconds.
const STEPS: [i64; 14] = [
    1, 5, 10, 30, 60, 120, 300, 600, 900, 1_800, 3_600, 7_200, 21_600, 86_400,
];
/// Marks on a time axis at most.
const TICKS: i64 = 10;

/// The blue of the palette: the only one of it that may carry text on white.
pub(super) const INK_BLUE: RGBColor = RGBColor(0x00, 0x72, 0xB2);
/// The vermillion of the palette.
pub(super) const VERMILLION: RGBColor = RGBColor(0xD5, 0x5E, 0x00);
/// The colours of trains, in order.
pub(super) const TRAINS: [RGBColor; 5] = [
    INK_BLUE,
    VERMILLION,
    RGBColor(0x00, 0x9E, 0x73),
    RGBColor(0xCC, 0x79, 0xA7),
    RGBColor(0x00, 0x00, 0x00),
];
/// A grey that is seen on paper.
pub(super) const GREY: RGBColor = RGBColor(0x77, 0x77, 0x77);
/// A grey for lines that help the eye.
pub(super) const FAINT: RGBColor = RGBColor(0xDD, 0xDD, 0xDD);

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

/// A chart that is being drawn. What the backend refuses to draw is left out: it writes to memory
/// and refuses nothing.
pub(super) struct Sheet<'a> {
    area: Area<'a>,
    span_ms: i64,
    height: i32,
}

impl<'a> Sheet<'a> {
    /// A sheet so high, without the time axis.
    pub(super) fn new(text: &'a mut String, height: i32, span_ms: i64) -> Self {
        let size = (WIDTH.unsigned_abs(), (height + BOTTOM).unsigned_abs());
        Self {
            area: SVGBackend::with_string(text, size).into_drawing_area(),
            span_ms,
            height,
        }
    }

    /// Where a moment is.
    pub(super) fn x(&self, ms: i64) -> i32 {
        let part = ms.clamp(0, self.span_ms) as f64 / self.span_ms as f64;
        LEFT + (part * f64::from(WIDTH - LEFT - RIGHT)).round() as i32
    }

    pub(super) fn bar(&self, (x0, y0): (i32, i32), (x1, y1): (i32, i32), style: ShapeStyle) {
        let _ = self
            .area
            .draw(&Rectangle::new([(x0, y0), (x1.max(x0 + 1), y1)], style));
    }

    pub(super) fn line(&self, points: Vec<(i32, i32)>, style: ShapeStyle) {
        let _ = self.area.draw(&PathElement::new(points, style));
    }

    pub(super) fn triangle(&self, (x, y): (i32, i32), style: ShapeStyle) {
        let corners = vec![(x, y - 6), (x - 5, y + 3), (x + 5, y + 3)];
        let _ = self.area.draw(&Polygon::new(corners, style));
    }

    pub(super) fn text(&self, text: &str, at: (i32, i32), size: u32) {
        let font = ("sans-serif", size).into_font().color(&BLACK);
        let _ = self.area.draw(&Text::new(text.to_owned(), at, font));
    }

    /// A name at the left, cut where it does not fit.
    pub(super) fn name(&self, name: &str, y: i32) {
        let short: String = if name.chars().count() > 22 {
            name.chars().take(21).chain(['…']).collect()
        } else {
            name.to_owned()
        };
        self.text(&short, (0, y), 13);
    }

    /// The time axis, and the end of the drawing.
    pub(super) fn finish(self, session: &Session<'_>) {
        let step = STEPS
            .iter()
            .copied()
            .find(|step| self.span_ms / 1_000 / step <= TICKS)
            .unwrap_or(86_400);
        // Marks stand at round times of the clock.
        let begins_s = session.from_us.div_euclid(1_000_000);
        let mut at_s = step - begins_s.rem_euclid(step);
        if at_s == step {
            at_s = 0;
        }
        let short = step % 60 == 0;
        while at_s * 1_000 <= self.span_ms {
            let x = self.x(at_s * 1_000);
            self.line(vec![(x, 0), (x, self.height + 4)], FAINT.stroke_width(1));
            let clock = session.clock(at_s * 1_000);
            let clock = if short { &clock[..5] } else { &clock[..] };
            let left = x.min(WIDTH - 8 * i32::try_from(clock.len()).unwrap_or(8));
            self.text(clock, (left.max(LEFT) - 2, self.height + 8), 13);
            at_s += step;
        }
        let _ = self.area.present();
    }
}
