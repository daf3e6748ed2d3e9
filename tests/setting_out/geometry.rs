//! Turnout geometry, Ohm's law and scale speed against published values.

use taillamp::setting_out::clearance::{CLEAR_SPACING_FULL_MM, Leg, Setting};
use taillamp::setting_out::frog::{Frog, FrogError};
use taillamp::setting_out::gauge::Scale;
use taillamp::setting_out::{scale_speed, wheelsets};

fn frog(number: f64) -> Frog {
    Frog::from_number(number).expect("these are frog numbers")
}

fn degrees(degrees: f64, minutes: f64, seconds: f64) -> f64 {
    degrees + minutes / 60.0 + seconds / 3_600.0
}

/// NMRA RP-12.7 and E. E. R. Tratman, Railway Track and Maintenance: to the minute they print.
#[test]
fn frog_angle_is_rp_12_7s_and_tratmans() {
    for (number, published) in [
        (4.0, degrees(14.0, 15.0, 0.0)),
        (5.0, degrees(11.0, 25.0, 0.0)),
        (6.0, degrees(9.0, 32.0, 0.0)),
        (7.0, degrees(8.0, 10.0, 0.0)),
        // Tratman has 7 degrees 10 minutes for 8, rounded to tens.
        (10.0, degrees(5.0, 44.0, 0.0)),
        (20.0, degrees(2.0, 52.0, 0.0)),
    ] {
        let ours = frog(number).angle_deg();
        let off_seconds = (ours - published).abs() * 3_600.0;
        assert!(off_seconds < 31.0, "frog {number}: {ours}");
    }
}

/// AREMA's angles to the second (from memory; they agree with the formula).
#[test]
fn frog_angle_is_aremas() {
    for (number, published) in [
        (5.0, degrees(11.0, 25.0, 16.0)),
        (6.0, degrees(9.0, 31.0, 38.0)),
        (8.0, degrees(7.0, 9.0, 10.0)),
        (10.0, degrees(5.0, 43.0, 29.0)),
    ] {
        let off_seconds = (frog(number).angle_deg() - published).abs() * 3_600.0;
        assert!(off_seconds < 1.0, "frog {number}: {off_seconds}");
    }
}

/// NMRA RP-12.7, row 24 (point of frog to intersection of centre lines): gauge 0.354 in and the
/// published angles give 1.416, 1.771 and 2.123 in; 36, 45, 54 and 63 mm with 9 mm gauge.
#[test]
fn frog_to_centre_line_intersection_is_rp_12_7s() {
    for (angle, inches) in [
        (degrees(14.0, 15.0, 0.0), 1.416),
        (degrees(11.0, 25.0, 0.0), 1.771),
        (degrees(9.0, 32.0, 0.0), 2.123),
    ] {
        let frog = Frog::from_angle_deg(angle).expect("these are frog angles");
        let ours = frog.to_centre_line_intersection(0.354);
        assert!((ours - inches).abs() < 0.001, "{angle}: {ours}");
    }
    for (number, mm) in [(4.0, 36.0), (5.0, 45.0), (6.0, 54.0), (7.0, 63.0)] {
        let ours = frog(number).to_centre_line_intersection(9.0);
        assert!((ours - mm).abs() < 0.5, "frog {number}: {ours}");
    }
}

/// The worked example of pwayblog.com, 2023-02-20, with the rule of GK/RC0752 section 13.14.1:
/// crossing 1 in 9.25, running edges 1970 mm apart. The chord between equal points is 1973 mm;
/// whoever takes the perpendicular of the wrong track is 106 mm off. Both come out with
/// F = 2 atan(1 / (2 N)) and d = S / sin F = 18 276 mm, and not with atan(1 / N).
#[test]
fn fouling_point_is_that_of_the_worked_example() {
    let frog = frog(9.25);
    let full_size = Setting {
        frog,
        gauge_mm: 1_435.0,
        spacing_mm: CLEAR_SPACING_FULL_MM,
        overhang_mm: 0.0,
        leg: Leg::Straight,
    };
    let points = full_size.clearance_points().expect("straight legs part");
    assert_eq!(points.normal, points.reverse);
    assert!((points.reverse - 18_276.0).abs() < 1.0, "{points:?}");
    let half = frog.angle_rad() / 2.0;
    let chord = 2.0 * points.reverse * half.sin();
    assert!((chord - 1_973.0).abs() < 1.0, "{chord}");
    let wrong = points.reverse * (1.0 - frog.angle_rad().cos());
    assert!((wrong - 106.0).abs() < 1.0, "{wrong}");
    // The other convention for 1 in 9.25.
    let other = CLEAR_SPACING_FULL_MM / (1.0_f64 / 9.25).atan().sin();
    assert!((other - 18_276.0).abs() > 50.0, "{other}");
}

/// GK/RC0752 sections 13.14.1 and 13.14.2 at scale: 1970 and 4880 mm are 22.6 and 56.0 mm in HO,
/// 12.3 and 30.5 in N, 41.0 and 101.7 in O (check-values 2.4, recomputed there).
#[test]
fn full_size_distances_scale() {
    for (name, fouling, beyond) in [("HO", 22.6, 56.0), ("N", 12.3, 30.5), ("O", 41.0, 101.7)] {
        let scale = Scale::named(name).expect("a published scale");
        let plain = Setting::at_scale(&scale, frog(6.0));
        assert!((plain.spacing_mm - fouling).abs() < 0.05, "{name}");
        assert!(
            (scale.of_full_size(4_880.0) - beyond).abs() < 0.05,
            "{name}"
        );
        let points = plain.clearance_points().expect("straight legs part");
        let gaps = plain.gaps(beyond).expect("straight legs part");
        assert!((gaps.normal - points.normal - beyond).abs() < 1e-9);
    }
}

/// 49 CFR 236.55 (35 ft) and 214.7 (4 ft), scaled to HO: 122.5 and 14.0 mm (check-values 1.4).
#[test]
fn feet_scale() {
    let scale = Scale::named("HO").expect("a published scale");
    for (feet, mm) in [(35.0, 122.5), (4.0, 14.0), (13.0, 45.5), (15.0, 52.5)] {
        let ours = scale.of_full_size(feet * 304.8);
        assert!((ours - mm).abs() < 0.05, "{feet} ft: {ours}");
    }
}

/// NEM 010 and NMRA S-3.2: the published gauges; a ratio's gauge is 1435 mm divided by it, which
/// is within 2 % of the published one where that is standard gauge.
#[test]
fn gauge_is_the_published_one() {
    for (name, gauge, ratio) in [
        ("N", 9.0, "1:160"),
        ("TT", 12.0, "1:120"),
        ("H0", 16.5, "1:87"),
        ("S", 22.5, "1:64"),
    ] {
        let named = Scale::named(name).map(|scale| scale.gauge_mm);
        assert_eq!(named, Ok(gauge));
        let bare = Scale::named(ratio).expect("a ratio").gauge_mm;
        assert!((bare / gauge - 1.0).abs() < 0.02, "{name}: {bare}");
    }
}

/// Ohm's law (check-values 2.5): current of one axle by track voltage and resistance.
#[test]
fn axle_current_is_ohms() {
    for (volts, kilo_ohms, ma) in [
        (12.0, 5.0, 2.4),
        (12.0, 10.0, 1.2),
        (12.0, 15.0, 0.8),
        (14.0, 5.0, 2.8),
        (14.0, 10.0, 1.4),
        (14.0, 12.0, 1.17),
        (14.0, 15.0, 0.93),
        (15.0, 15.0, 1.0),
    ] {
        let budget = wheelsets::budget(volts, kilo_ohms * 1_000.0, 3.0).expect("a track");
        assert!(
            (budget.axle_ma - ma).abs() < 0.005,
            "{volts} V {kilo_ohms} kOhm"
        );
        // n axles in parallel draw n V / R, and one fewer is too little.
        let axles = f64::from(budget.axles_needed);
        assert!(axles * budget.axle_ma >= 3.0 - 1e-9 && (axles - 1.0) * budget.axle_ma < 3.0);
        let watts = volts * budget.axle_ma / 1_000.0;
        assert!((budget.watts_per_axle - watts).abs() < 1e-9);
    }
}

/// Scale speed: 3 ft in 10.4 s at 1:76 are 14.9 mph (sdmrc.co.uk); over 176 scale feet 24, 12, 8,
/// 6, 4, 3 and 2 s are 5, 10, 15, 20, 30, 40 and 60 mph (a marker chart quoted in a forum, exact).
#[test]
fn scale_speed_is_the_charts() {
    let ours = scale_speed::mph(3.0 * 304.8 / 10.4, 76.0);
    assert!((ours - 14.9).abs() < 0.05, "{ours}");
    for (seconds, mph) in [
        (24.0, 5.0),
        (12.0, 10.0),
        (8.0, 15.0),
        (6.0, 20.0),
        (4.0, 30.0),
        (3.0, 40.0),
        (2.0, 60.0),
    ] {
        let model_mm = 176.0 * 304.8 / 87.1;
        let ours = scale_speed::mph(model_mm / seconds, 87.1);
        assert!((ours - mph).abs() < 0.05, "{seconds} s: {ours}");
    }
    // 60 scale mph in mm/s (check-values 2.1): HO 307.9, N 167.6, O 558.8.
    for (ratio, mm_s) in [(87.1, 307.9), (160.0, 167.6), (48.0, 558.8)] {
        let ours = scale_speed::mm_s(60.0 * 1.609_344, ratio);
        assert!((ours - mm_s).abs() < 0.1, "{ratio}: {ours}");
    }
}

#[test]
fn what_is_no_frog_is_said_in_one_line() {
    for error in [FrogError::Number(f64::NAN), FrogError::Angle(90.0)] {
        let text = error.to_string();
        assert!(text.contains("give one") && !text.contains('\n'), "{text}");
    }
}
