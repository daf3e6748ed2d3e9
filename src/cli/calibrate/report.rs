//! What `calibrate` prints: JSON, text with a histogram, a page.

use std::fmt::Write as _;

use serde_json::{Value, json};

use super::Calibrated;
use crate::cli::html;
use crate::setting_out::calibration::Fit;
use crate::setting_out::histogram::Histogram;
use crate::setting_out::proposal::{Promised, in_words};

pub fn as_json(calibrated: &Calibrated<'_>) -> Value {
    let level = |fit: &Fit| json!({ "mean": fit.mean, "sd": fit.sd, "samples": fit.samples });
    let promise = |promised: Promised| {
        json!({
            "false_alarm_every_h": promised.false_alarm_every_h,
            "delay_s": promised.delay_s,
        })
    };
    let proposal = &calibrated.proposal;
    let promised = calibrated.promised();
    let delays: Vec<Value> = calibrated
        .delays
        .iter()
        .map(|delay| {
            json!({
                "vehicle": delay.vehicle,
                "draws_ma": delay.draws_ma,
                "threshold_s": delay.threshold_s,
                "sequential_s": delay.sequential_s,
            })
        })
        .collect();
    json!({
        "detector": calibrated.detector.id,
        "unit": calibrated.detector.unit,
        "sample_hz": calibrated.hz,
        "vacant": level(&calibrated.vacant),
        "occupied": level(&calibrated.occupied),
        "decide": if calibrated.sequential { "sequential" } else { "threshold" },
        "on": proposal.on,
        "off": proposal.off,
        "false_alarm_every_h": promised.false_alarm_every_h,
        "delay_s": promised.delay_s,
        "margin_sd": proposal.margin_sd,
        "threshold": promise(proposal.thresholds),
        "sequential": promise(proposal.sequential),
        "delays": delays,
        "cautions": proposal.cautions,
    })
}

fn histogram(calibrated: &Calibrated<'_>) -> Histogram {
    Histogram::new(
        &calibrated.pair.vacant.levels,
        &calibrated.pair.occupied.levels,
        calibrated.proposal.on,
        calibrated.proposal.off,
    )
}

pub fn as_text(out: &mut String, calibrated: &Calibrated<'_>) {
    let (detector, proposal) = (calibrated.detector, &calibrated.proposal);
    let _ = writeln!(
        out,
        "{} ({}, {:.3} samples a second)",
        detector.id, detector.unit, calibrated.hz
    );
    for (name, fit) in [
        ("vacant", &calibrated.vacant),
        ("occupied", &calibrated.occupied),
    ] {
        let _ = writeln!(
            out,
            "  {name:9} mean {:.4}  sd {:.4}  {} samples, {:.4} to {:.4}",
            fit.mean, fit.sd, fit.samples, fit.least, fit.most
        );
    }
    let _ = writeln!(out, "\n{}", histogram(calibrated).text());
    let (plain, test) = (proposal.thresholds, proposal.sequential);
    let said = |promised: Promised| {
        format!(
            "falsely occupied every {}, a vehicle seen after {:.2} s",
            in_words(promised.false_alarm_every_h),
            promised.delay_s
        )
    };
    let _ = writeln!(
        out,
        "  thresholds: on = {}, off = {}; {:.1} spreads to either level\n  \
           {}\n  \
         decide = \"sequential\": {}\n  \
         (mean times, if samples are independent and normal; for the samples of these stretches)",
        proposal.on,
        proposal.off,
        proposal.margin_sd,
        said(plain),
        said(test),
    );
    delays(out, calibrated);
    for caution in &proposal.cautions {
        let _ = writeln!(out, "  caution: {caution}");
    }
    out.push('\n');
}

/// When vehicles that were not measured would be seen.
fn delays(out: &mut String, calibrated: &Calibrated<'_>) {
    let after = |seconds: Option<f64>| {
        seconds.map_or_else(
            || "not seen".to_owned(),
            |seconds| format!("{seconds:.2} s"),
        )
    };
    for delay in &calibrated.delays {
        let _ = writeln!(
            out,
            "  {:18} {:>6.1} mA: {} by the thresholds, {} by the sequential test",
            delay.vehicle,
            delay.draws_ma,
            after(delay.threshold_s),
            after(delay.sequential_s),
        );
    }
}

/// The page: what the text says, with drawn histograms.
pub fn page(layout: &str, good: &[Calibrated<'_>]) -> String {
    let mut page = html::head(&format!("Calibration: {layout}"));
    for calibrated in good {
        let mut text = String::new();
        as_text(&mut text, calibrated);
        // The drawing takes the place of the rows of characters.
        let words: Vec<&str> = text.lines().filter(|line| !line.contains('|')).collect();
        let _ = write!(
            page,
            "<h2>{}</h2>\n{}<pre>{}</pre>\n",
            html::escaped(&calibrated.detector.id),
            histogram(calibrated).svg(),
            html::escaped(&words.join("\n")),
        );
    }
    page.push_str(html::END);
    page
}
