//! `taillamp set-out`: where the clearance points, gaps and beams of a turnout go, and how many
//! resistor wheelsets a threshold needs.
//!
//! Inputs: numbers on the command line; no plan and no broker. Outputs: text for somebody with a
//! pencil, or one JSON object (contract, section 2); a sketch to scale where one is asked for. The
//! arithmetic is in [`crate::setting_out`].

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::PathBuf;

use anyhow::Context as _;
use serde_json::{Map, Value, json};

use super::Exit;
use crate::setting_out::clearance::{
    BODY_BEYOND_WHEELS_FULL_MM, CLEAR_SPACING_FULL_MM, DEAD_SECTION_FULL_MM, Leg, Legs, Setting,
};
use crate::setting_out::frog::{Frog, degrees_minutes_seconds};
use crate::setting_out::gauge::Scale;
use crate::setting_out::wheelsets::{self, Budget};
use crate::setting_out::{scale_speed, sketch};

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The scale: HO, N, 0 ... or a ratio, 1:87.1
    #[arg(long, required_unless_present = "volts")]
    scale: Option<String>,
    /// The frog number: 6 spreads one unit in six
    #[arg(
        long,
        value_name = "N",
        requires = "scale",
        conflicts_with = "angle",
        allow_negative_numbers = true,
        required_unless_present_any = ["angle", "volts"]
    )]
    frog: Option<f64>,
    /// The frog angle in degrees, instead of a number
    #[arg(
        long,
        value_name = "DEG",
        requires = "scale",
        allow_negative_numbers = true
    )]
    angle: Option<f64>,
    /// Between the running edges of one track, mm [default: the scale's]
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    gauge: Option<f64>,
    /// Running edges that far apart are clear of each other, mm [default: 1970 mm at scale]
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    spacing: Option<f64>,
    /// Added along each leg for bodies that reach beyond, mm
    #[arg(
        long,
        value_name = "MM",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    overhang: f64,
    /// The diverging leg is curved beyond the frog: radius of its centre line, mm; negative where
    /// it curves back to run beside the straight road
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    radius: Option<f64>,
    /// Resistor wheelsets: track voltage
    #[arg(long, requires_all = ["ohms", "threshold"], allow_negative_numbers = true)]
    volts: Option<f64>,
    /// Resistor wheelsets: resistance across one axle
    #[arg(long, requires_all = ["volts", "threshold"], allow_negative_numbers = true)]
    ohms: Option<f64>,
    /// Resistor wheelsets: the detector's threshold, mA
    #[arg(
        long,
        value_name = "MA",
        requires_all = ["volts", "ohms"],
        allow_negative_numbers = true
    )]
    threshold: Option<f64>,
    /// Print one JSON object instead of text
    #[arg(long)]
    json: bool,
    /// Write a sketch to scale
    #[arg(long, value_name = "FILE", requires = "scale")]
    svg: Option<PathBuf>,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    match set_out(args) {
        Ok(output) => {
            // Nobody reads any more: that is not a fault of what was asked.
            let _ = io::stdout().write_all(output.as_bytes());
            Exit::Fine
        }
        Err(error) => {
            complain!("taillamp set-out: {error:#}");
            Exit::Input
        }
    }
}

fn set_out(args: &Args) -> anyhow::Result<String> {
    let turnout = turnout(args)?;
    let budget = match (args.volts, args.ohms, args.threshold) {
        (Some(volts), Some(ohms), Some(threshold)) => {
            Some(wheelsets::budget(volts, ohms, threshold)?)
        }
        _ => None,
    };
    if let Some(path) = &args.svg {
        let turnout = turnout
            .as_ref()
            .context("--svg draws a turnout: give --frog or --angle too")?;
        let drawing = sketch::svg(&turnout.setting, turnout.points, turnout.gaps);
        std::fs::write(path, drawing)
            .with_context(|| format!("cannot write {}; name another --svg FILE", path.display()))?;
    }
    if args.json {
        return Ok(format!("{}\n", as_json(turnout.as_ref(), budget.as_ref())));
    }
    let mut text = String::new();
    if let Some(turnout) = &turnout {
        turnout_text(&mut text, turnout);
    }
    if let Some(budget) = &budget {
        budget_text(&mut text, budget, args);
    }
    Ok(text)
}

/// A turnout that has been set out.
struct Turnout {
    scale: Scale,
    setting: Setting,
    points: Legs,
    gaps: Legs,
    to_centre_lines: f64,
    lead: f64,
}

impl Turnout {
    /// The longest vehicle or train that two beams do not see when it stands between them.
    fn hides(&self) -> Legs {
        Legs {
            normal: self.lead + self.points.normal,
            reverse: self.lead + self.points.reverse,
        }
    }
}

/// The turnout that is asked for, if one is.
fn turnout(args: &Args) -> anyhow::Result<Option<Turnout>> {
    let scale = args.scale.as_deref().map(Scale::named).transpose()?;
    let frog = match (args.frog, args.angle) {
        (Some(number), _) => Frog::from_number(number)?,
        (None, Some(angle)) => Frog::from_angle_deg(angle)?,
        (None, None) => return Ok(None),
    };
    let scale = scale.context("a turnout needs --scale")?;
    let plain = Setting::at_scale(&scale, frog);
    let setting = Setting {
        gauge_mm: args.gauge.unwrap_or(plain.gauge_mm),
        spacing_mm: args.spacing.unwrap_or(plain.spacing_mm),
        overhang_mm: args.overhang,
        leg: match args.radius {
            None => Leg::Straight,
            Some(radius) if radius < 0.0 => Leg::Back(-radius),
            Some(radius) => Leg::Away(radius),
        },
        ..plain
    };
    Ok(Some(Turnout {
        points: setting.clearance_points()?,
        gaps: setting.gaps(scale.of_full_size(BODY_BEYOND_WHEELS_FULL_MM))?,
        to_centre_lines: frog.to_centre_line_intersection(setting.gauge_mm),
        lead: frog.plain_lead(setting.gauge_mm),
        setting,
        scale,
    }))
}

fn legs_json(legs: Legs) -> Value {
    json!({ "normal": legs.normal, "reverse": legs.reverse })
}

fn as_json(turnout: Option<&Turnout>, budget: Option<&Budget>) -> Value {
    let mut all = Map::new();
    let mut put = |key: &str, value: Value| all.insert(key.to_owned(), value);
    if let Some(turnout) = turnout {
        let (setting, scale) = (&turnout.setting, &turnout.scale);
        put("scale", json!(scale.name));
        put("scale_ratio", json!(scale.ratio));
        put("gauge_mm", json!(setting.gauge_mm));
        put("frog_number", json!(setting.frog.number()));
        put("frog_angle_deg", json!(setting.frog.angle_deg()));
        put(
            "frog_to_centre_line_intersection_mm",
            json!(turnout.to_centre_lines),
        );
        put("spacing_mm", json!(setting.spacing_mm));
        put("overhang_mm", json!(setting.overhang_mm));
        put("clearance_point_from_frog_mm", legs_json(turnout.points));
        put("beam_from_frog_mm", legs_json(turnout.points));
        put("gap_from_frog_mm", legs_json(turnout.gaps));
        put("points_from_frog_about_mm", json!(turnout.lead));
        put("hides_between_beams_about_mm", legs_json(turnout.hides()));
        put(
            "at_scale_mm",
            json!({
                "fouling_spacing": scale.of_full_size(CLEAR_SPACING_FULL_MM),
                "body_beyond_wheels": scale.of_full_size(BODY_BEYOND_WHEELS_FULL_MM),
                "dead_section_max": scale.of_full_size(DEAD_SECTION_FULL_MM),
            }),
        );
        put("mm_s_at_1_kmh", json!(scale_speed::mm_s(1.0, scale.ratio)));
    }
    if let Some(budget) = budget {
        put("axle_ma", json!(budget.axle_ma));
        put("axles_needed", json!(budget.axles_needed));
        put("watts_per_axle", json!(budget.watts_per_axle));
    }
    Value::Object(all)
}

/// The speed for which the time to pass is told, scale km/h: the plan's default in yards.
const SPEED_KMH: f64 = 30.0;

fn turnout_text(out: &mut String, turnout: &Turnout) {
    distances_text(out, turnout);
    notes_text(out, turnout);
    advice_text(out, turnout);
}

/// What is measured, from where, and how far.
fn distances_text(out: &mut String, turnout: &Turnout) {
    let (scale, setting) = (&turnout.scale, &turnout.setting);
    let frog = setting.frog;
    let leg = match setting.leg {
        Leg::Straight => "straight beyond the frog".to_owned(),
        Leg::Away(radius) => format!("diverging leg curved away, radius {radius} mm"),
        Leg::Back(radius) => format!("diverging leg curved back, radius {radius} mm"),
    };
    let _ = writeln!(
        out,
        "Turnout, scale {} ({:.1} to 1), gauge {:.2} mm\n\
         frog number {:.2} ({:.3} degrees, {}), {leg}\n\
         \n\
         Measure along the running rail from the theoretical point of frog: lay a ruler\n\
         along the two running edges that meet there; where they cross is 0. The nose that\n\
         you see is a little blunt and lies beyond it.\n",
        scale.name,
        scale.ratio,
        setting.gauge_mm,
        frog.number(),
        frog.angle_deg(),
        degrees_minutes_seconds(frog.angle_deg()),
    );
    let what = "mm from the frog, along each leg";
    let _ = writeln!(out, "{what:44}{:>9}{:>9}", "normal", "reverse");
    for (what, legs) in [
        (
            "clearance point: beam square across the leg",
            turnout.points,
        ),
        ("gap in both rails, where wheels are sensed", turnout.gaps),
    ] {
        let _ = writeln!(out, "{what:44}{:>9.1}{:>9.1}", legs.normal, legs.reverse);
    }
}

/// What else somebody with a pencil must know.
fn notes_text(out: &mut String, turnout: &Turnout) {
    let hides = turnout.hides();
    let _ = writeln!(
        out,
        "\n\
         At the clearance point the running edges are {:.1} mm apart, overhang not counted\n\
         ({:.1} mm is added along each leg). The gap lies further out because bodies reach\n\
         beyond their wheels.\n\
         On the toe side: gap and beam ahead of the tips of the points, about {:.0} mm from\n\
         the frog the other way (a plain curve; measure your own turnout). The centre lines\n\
         of the two roads meet {:.1} mm from the frog, towards the points.\n\
         Beams alone: whatever is shorter than about {:.0} mm (normal) or {:.0} mm (reverse)\n\
         can stand between two of them unseen. Let beams slant across the track, so that the\n\
         space between two cars does not clear them (common practice, no source).",
        turnout.setting.spacing_mm,
        turnout.setting.overhang_mm,
        turnout.lead,
        turnout.to_centre_lines,
        hides.normal,
        hides.reverse,
    );
}

/// Full-size practice at scale, and the cautions.
fn advice_text(out: &mut String, turnout: &Turnout) {
    let scale = &turnout.scale;
    let speed = scale_speed::mm_s(SPEED_KMH, scale.ratio);
    let farther = turnout.points.normal.max(turnout.points.reverse);
    let _ = writeln!(
        out,
        "\n\
         Advice, from full-size practice (GK/RC0752) at scale: fouling point where running\n\
         edges are {:.1} mm apart; detection ends {:.1} mm or more past it; no more than\n\
         {:.1} mm of track without detection between two sections.\n\
         At {SPEED_KMH:.0} km/h to scale a train runs {speed:.0} mm/s: frog to clearance point\n\
         in {:.1} s.\n\
         \n\
         Caution: a hobby aid for indoor layouts, not a safety system; push your longest cars\n\
         past each other by hand before you glue anything. Gaps and beams belong on the\n\
         low-voltage side.",
        scale.of_full_size(CLEAR_SPACING_FULL_MM),
        scale.of_full_size(BODY_BEYOND_WHEELS_FULL_MM),
        scale.of_full_size(DEAD_SECTION_FULL_MM),
        farther / speed,
    );
}

/// The resistor axles of a car that common practice gives it, at most.
const AXLES_PER_CAR: u32 = 2;

fn budget_text(out: &mut String, budget: &Budget, args: &Args) {
    if !out.is_empty() {
        out.push('\n');
    }
    let plural = if budget.axles_needed == 1 { "" } else { "s" };
    let _ = writeln!(
        out,
        "Resistor wheelsets: {} ohms at {} V draw {:.2} mA an axle and make {:.1} mW of heat in\n\
         it; a threshold of {} mA takes {} axle{plural} in the block.",
        args.ohms.unwrap_or_default(),
        args.volts.unwrap_or_default(),
        budget.axle_ma,
        budget.watts_per_axle * 1_000.0,
        args.threshold.unwrap_or_default(),
        budget.axles_needed,
    );
    if let Some(caution) = wheelsets::blind_to_one_car(budget, AXLES_PER_CAR) {
        let _ = writeln!(
            out,
            "Caution: {caution}; lower the threshold, or the resistance."
        );
    }
}
