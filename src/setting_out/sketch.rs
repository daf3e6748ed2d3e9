//! A sketch of a turnout with its clearance points, beams and gaps, as SVG to scale.
//!
//! Inputs: the turnout and where things go. Output: a drawing whose units are millimetres, so that
//! it prints at full size. The track between points and frog is drawn as one plain curve: real
//! turnouts differ there, and nothing is measured there.

use std::fmt::Write as _;

use super::clearance::{Leg, Legs, Setting};

/// Room around the drawing, mm.
const MARGIN_MM: f64 = 14.0;
/// How far beyond the last mark the track is drawn, mm.
const BEYOND_MM: f64 = 12.0;
/// Points along a curve.
const STEPS: u32 = 96;

/// A place on the drawing, mm; x away from the points, y to the diverging side.
type Point = (f64, f64);

/// Draws it. `points`: clearance points, where the beams stand; `gaps`: where the rails are cut.
#[must_use]
pub fn svg(setting: &Setting, points: Legs, gaps: Legs) -> String {
    let drawing = Drawing::new(setting, points, gaps);
    let mut out = String::new();
    drawing.head(&mut out);
    drawing.rails(&mut out);
    drawing.marks(&mut out, points, gaps);
    drawing.foot(&mut out, setting, points, gaps);
    out.push_str("</svg>\n");
    out
}

struct Drawing {
    setting: Setting,
    lead: f64,
    far: f64,
    text: f64,
    low: Point,
    size: Point,
}

impl Drawing {
    fn new(setting: &Setting, points: Legs, gaps: Legs) -> Self {
        let lead = setting.frog.plain_lead(setting.gauge_mm);
        let far = [points.normal, points.reverse, gaps.normal, gaps.reverse]
            .into_iter()
            .fold(0.0, f64::max)
            + BEYOND_MM;
        let mut drawing = Self {
            setting: *setting,
            lead,
            far,
            text: (setting.gauge_mm * 0.22).clamp(2.6, 8.0),
            low: (0.0, 0.0),
            size: (0.0, 0.0),
        };
        let end = drawing.reverse(far, setting.gauge_mm);
        let foot = drawing.text * 9.0;
        drawing.low = (-lead - BEYOND_MM - MARGIN_MM, -setting.gauge_mm - MARGIN_MM);
        drawing.size = (
            far.max(end.0) + MARGIN_MM * 2.0 - drawing.low.0,
            end.1.max(setting.gauge_mm) + MARGIN_MM + foot - drawing.low.1,
        );
        drawing
    }

    /// A point of the diverging road, `s` mm beyond the frog along its running edge (before it
    /// where negative) and `aside` mm into the track.
    fn reverse(&self, s: f64, aside: f64) -> Point {
        let (frog, gauge) = (self.setting.frog.angle_rad(), self.setting.gauge_mm);
        let (bend, length) = if s < 0.0 {
            (1.0 / self.setting.frog.plain_radius(gauge), f64::INFINITY)
        } else {
            match self.setting.leg {
                Leg::Straight => (0.0, 0.0),
                Leg::Away(radius) => (1.0 / (radius + gauge / 2.0), f64::INFINITY),
                // Back until it is parallel, and straight from there.
                Leg::Back(radius) => {
                    let edge = radius - gauge / 2.0;
                    (-1.0 / edge, edge * frog)
                }
            }
        };
        let curved = s.min(length);
        let angle = frog + bend * curved;
        let (x, y) = if bend.abs() > 0.0 {
            (
                (angle.sin() - frog.sin()) / bend,
                (frog.cos() - angle.cos()) / bend,
            )
        } else {
            (0.0, 0.0)
        };
        let straight = s - curved;
        (
            x + straight * angle.cos() - aside * angle.sin(),
            y + straight * angle.sin() + aside * angle.cos(),
        )
    }

    fn head(&self, out: &mut String) {
        let ((x, y), (width, height)) = (self.low, self.size);
        let _ = writeln!(
            out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.1}mm\" \
             height=\"{height:.1}mm\" viewBox=\"{x:.1} {y:.1} {width:.1} {height:.1}\" \
             font-family=\"sans-serif\" font-size=\"{:.1}\" fill=\"none\">\n\
             <title>Clearance points of a turnout, to scale</title>\n\
             <rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" \
             fill=\"#ffffff\"/>",
            self.text
        );
    }

    fn rails(&self, out: &mut String) {
        let gauge = self.setting.gauge_mm;
        let start = -self.lead - BEYOND_MM;
        for y in [0.0, -gauge] {
            line(out, &[(start, y), (self.far, y)], "#000000", 0.6, "");
        }
        // The plain curve is as long as its radius times the angle.
        let curve = self.setting.frog.plain_radius(gauge) * self.setting.frog.angle_rad();
        for aside in [0.0, gauge] {
            let points: Vec<Point> = (0..=STEPS)
                .map(|step| f64::from(step) / f64::from(STEPS))
                .map(|part| self.reverse(-curve + (curve + self.far) * part, aside))
                .collect();
            line(out, &points, "#000000", 0.6, "");
        }
    }

    fn marks(&self, out: &mut String, points: Legs, gaps: Legs) {
        let gauge = self.setting.gauge_mm;
        let reach = gauge * 0.3;
        let normal_beam = [(points.normal, reach), (points.normal, -gauge - reach)];
        let reverse_beam = [
            self.reverse(points.reverse, -reach),
            self.reverse(points.reverse, gauge + reach),
        ];
        for beam in [normal_beam, reverse_beam] {
            line(out, &beam, "#0072B2", 0.7, " stroke-dasharray=\"3 1.5\"");
        }
        let cut = gauge * 0.1;
        for y in [0.0, -gauge] {
            line(
                out,
                &[(gaps.normal, y - cut), (gaps.normal, y + cut)],
                "#D55E00",
                1.4,
                "",
            );
        }
        for aside in [0.0, gauge] {
            let ends = [
                self.reverse(gaps.reverse, aside - cut),
                self.reverse(gaps.reverse, aside + cut),
            ];
            line(out, &ends, "#D55E00", 1.4, "");
        }
        let _ = writeln!(
            out,
            "<circle cx=\"0\" cy=\"0\" r=\"{:.1}\" stroke=\"#000000\" stroke-width=\"0.4\"/>",
            gauge * 0.12
        );
        let above = -gauge - reach - 1.0;
        label(
            out,
            (points.normal, above),
            &format!("{:.1}", points.normal),
        );
        label(out, (gaps.normal, above), &format!("{:.1}", gaps.normal));
        let below = gauge + reach + self.text;
        let at = self.reverse(points.reverse, below);
        label(out, at, &format!("{:.1}", points.reverse));
        let at = self.reverse(gaps.reverse, below);
        label(out, at, &format!("{:.1}", gaps.reverse));
        label(out, (0.0, above), "frog");
    }

    fn foot(&self, out: &mut String, setting: &Setting, points: Legs, gaps: Legs) {
        let x = self.low.0 + MARGIN_MM / 2.0;
        let bottom = self.low.1 + self.size.1;
        // The longest of a few bars that fits.
        let bar = [100.0, 50.0, 20.0]
            .into_iter()
            .find(|bar| *bar < self.size.0 / 2.0)
            .unwrap_or(10.0);
        let y = bottom - self.text;
        line(out, &[(x, y), (x + bar, y)], "#000000", 1.0, "");
        let lines = [
            format!(
                "Frog {:.2} ({:.2} degrees), gauge {:.1} mm. All distances along the rail from the \
                 theoretical point of frog (circle), mm.",
                setting.frog.number(),
                setting.frog.angle_deg(),
                setting.gauge_mm
            ),
            format!(
                "Dashed: beam at the clearance point, normal {:.1}, reverse {:.1}. Thick ticks: \
                 gaps in both rails, normal {:.1}, reverse {:.1}.",
                points.normal, points.reverse, gaps.normal, gaps.reverse
            ),
            "The curve between points and frog is only indicated.".to_owned(),
            format!("Printed at full size this bar is {bar:.0} mm long:"),
        ];
        for (row, text) in lines.iter().rev().enumerate() {
            let up = self.text * 1.4 * (row as f64 + 1.0);
            let _ = writeln!(
                out,
                "<text x=\"{x:.1}\" y=\"{:.1}\" fill=\"#000000\">{text}</text>",
                y - up
            );
        }
    }
}

fn line(out: &mut String, points: &[Point], colour: &str, width: f64, more: &str) {
    let places: Vec<String> = points
        .iter()
        .map(|(x, y)| format!("{x:.2},{y:.2}"))
        .collect();
    let _ = writeln!(
        out,
        "<polyline points=\"{}\" stroke=\"{colour}\" stroke-width=\"{width}\"{more}/>",
        places.join(" ")
    );
}

fn label(out: &mut String, (x, y): Point, text: &str) {
    let _ = writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\" fill=\"#000000\">{text}</text>"
    );
}
