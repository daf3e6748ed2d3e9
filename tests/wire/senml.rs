//! SenML packs against the examples of RFC 8428, section 5.1.

use taillamp::engine::input::OwnTime;
use taillamp::wire::quantity::Quantity;
use taillamp::wire::senml::{Fault, PackError, Record, Value, resolve};

/// What the published tables give for a record: name, unit, time, value.
type Row<'a> = (&'a str, Option<&'a str>, f64, Value<'a>);

fn number(value: f64) -> Value<'static> {
    Value::Number(Quantity::Float(value))
}

fn check(pack: &str, expected: &[Row<'_>]) {
    let records = resolve(pack.as_bytes()).expect("a published pack resolves");
    assert_eq!(records.len(), expected.len());
    for (record, (name, unit, time, value)) in records.iter().zip(expected) {
        assert_eq!(record.name, *name);
        assert_eq!(record.unit.as_deref(), *unit, "{name}");
        // 1 ms: the published times are decimal, ours are floats.
        assert!(
            (record.time_s.unwrap_or(0.0) - time).abs() < 0.001,
            "{name} {:?}",
            record.time_s
        );
        assert_eq!(record.value, *value, "{name} at {time}");
    }
}

fn one(record: &str) -> Result<Record<'static>, PackError> {
    let pack: &'static str = Box::leak(format!("[{record}]").into_boxed_str());
    resolve(pack.as_bytes()).map(|mut records| records.remove(0))
}

#[test]
fn rfc_8428_section_5_1_2() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076.001,"bu":"A","bver":5,
        "n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},
        {"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#;
    let (voltage, current) = (
        "urn:dev:ow:10e2073a0108006:voltage",
        "urn:dev:ow:10e2073a0108006:current",
    );
    // The repository's resolved file keeps the pack's order at equal times; so do we.
    let ampere = Some("A");
    check(
        pack,
        &[
            (current, ampere, 1_276_020_071.001, number(1.2)),
            (current, ampere, 1_276_020_072.001, number(1.3)),
            (current, ampere, 1_276_020_073.001, number(1.4)),
            (current, ampere, 1_276_020_074.001, number(1.5)),
            (current, ampere, 1_276_020_075.001, number(1.6)),
            (voltage, Some("V"), 1_276_020_076.001, number(120.1)),
            (current, ampere, 1_276_020_076.001, number(1.7)),
        ],
    );
    // Section 4.6: a resolved record of another version than 10 says so.
    assert!(resolve(pack.as_bytes()).is_ok_and(|all| all.iter().all(|r| r.version == 5)));
}

/// Sections 5.1.3 and 5.1.4. Base time, offsets, units, the number of records and the 98 %EL are
/// published text that was read; the other values of the table are from memory.
#[test]
fn rfc_8428_section_5_1_3_resolves_to_thirteen_records() {
    let mut pack = String::from(r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"#);
    pack.push_str(r#""bu":"%RH","v":20.0},{"u":"lon","v":24.30621},{"u":"lat","v":60.07965}"#);
    let rows = [
        (60, 20.3, 24.306_22, 60.079_65),
        (120, 20.7, 24.306_23, 60.079_66),
        (180, 21.2, 24.306_28, 60.079_67),
    ];
    for (offset, humidity, lon, lat) in rows {
        let time = format!(r#""t":{offset}"#);
        pack.push_str(&format!(r#",{{{time},"v":{humidity}}}"#));
        pack.push_str(&format!(r#",{{"u":"lon",{time},"v":{lon}}}"#));
        pack.push_str(&format!(r#",{{"u":"lat",{time},"v":{lat}}}"#));
    }
    pack.push_str(r#",{"u":"%EL","t":150,"v":98}]"#);
    let name = "urn:dev:ow:10e2073a01080063";
    let (rh, lon, lat) = (Some("%RH"), Some("lon"), Some("lat"));
    check(
        &pack,
        &[
            (name, rh, 1_320_067_464.0, number(20.0)),
            (name, lon, 1_320_067_464.0, number(24.306_21)),
            (name, lat, 1_320_067_464.0, number(60.079_65)),
            (name, rh, 1_320_067_524.0, number(20.3)),
            (name, lon, 1_320_067_524.0, number(24.306_22)),
            (name, lat, 1_320_067_524.0, number(60.079_65)),
            (name, rh, 1_320_067_584.0, number(20.7)),
            (name, lon, 1_320_067_584.0, number(24.306_23)),
            (name, lat, 1_320_067_584.0, number(60.079_66)),
            (name, Some("%EL"), 1_320_067_614.0, number(98.0)),
            (name, rh, 1_320_067_644.0, number(21.2)),
            (name, lon, 1_320_067_644.0, number(24.306_28)),
            (name, lat, 1_320_067_644.0, number(60.079_67)),
        ],
    );
}

#[test]
fn rfc_8428_section_5_1_5_has_every_type_of_value() {
    let base = "urn:dev:ow:10e2073a01080063:";
    check(
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
            {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},
            {"n":"nfv-reader","vd":"aGkgCg"}]"#,
        &[
            (&format!("{base}temp"), Some("Cel"), 0.0, number(23.1)),
            (
                &format!("{base}label"),
                None,
                0.0,
                Value::Text("Machine Room".into()),
            ),
            (&format!("{base}open"), None, 0.0, Value::Boolean(false)),
            (
                &format!("{base}nfv-reader"),
                None,
                0.0,
                Value::Data(b"hi \n".to_vec()),
            ),
        ],
    );
}

#[test]
fn rfc_8428_section_5_1_6_a_second_base_name_keeps_the_base_time() {
    check(
        r#"[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
            {"n":"humidity","u":"%RH","v":30},
            {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
            {"n":"humidity","u":"%RH","v":67}]"#,
        &[
            (
                "2001:db8::2/temperature",
                Some("Cel"),
                1_320_078_429.0,
                number(25.2),
            ),
            (
                "2001:db8::2/humidity",
                Some("%RH"),
                1_320_078_429.0,
                number(30.0),
            ),
            (
                "2001:db8::1/temperature",
                Some("Cel"),
                1_320_078_429.0,
                number(12.3),
            ),
            (
                "2001:db8::1/humidity",
                Some("%RH"),
                1_320_078_429.0,
                number(67.0),
            ),
        ],
    );
}

#[test]
fn rfc_8428_section_5_1_7_a_time_in_the_future() {
    // The base time is a stand-in: the section's own is not at hand.
    check(
        r#"[{"bt":1320078429,"n":"2001:db8::3","t":0.1,"v":0}]"#,
        &[("2001:db8::3", None, 1_320_078_429.1, number(0.0))],
    );
}

#[test]
fn times_below_2_to_the_28_count_from_the_arrival() {
    // RFC 8428, section 4.5.3: 268435456 = 1978-07-04 21:24:16 UTC.
    let own = |record: &str| one(record).map(|record| record.own_time());
    let relative = Ok(Some(OwnTime::Relative(268_435_455.999)));
    assert_eq!(own(r#"{"n":"a","v":1,"t":268435455.999}"#), relative);
    let absolute = Ok(Some(OwnTime::Absolute(268_435_456.0)));
    assert_eq!(own(r#"{"n":"a","v":1,"t":268435456}"#), absolute);
    assert_eq!(own(r#"{"n":"a","v":1,"bt":268435450,"t":6}"#), absolute);
    assert_eq!(
        own(r#"{"n":"a","v":1,"t":-5}"#),
        Ok(Some(OwnTime::Relative(-5.0)))
    );
    assert_eq!(
        own(r#"{"n":"a","v":1,"t":0}"#),
        Ok(Some(OwnTime::Relative(0.0)))
    );
    assert_eq!(own(r#"{"n":"a","v":1}"#), Ok(None));
}

#[test]
fn base_values_are_added() {
    // RFC 8428, section 4.1: bv + v and bs + s.
    let record = one(r#"{"n":"a","bv":20,"v":1.5,"bs":100,"s":2}"#).expect("a good record");
    assert_eq!(record.value, number(21.5));
    assert_eq!(record.sum, Some(102.0));
}

#[test]
fn what_breaks_a_rule_is_refused() {
    let fault = |record: &str| match one(record) {
        Err(PackError::Record { record: 1, fault }) => fault,
        other => panic!("{record} gave {other:?}"),
    };
    // RFC 8428, section 4.2: one value, or a sum.
    assert_eq!(fault(r#"{"n":"a"}"#), Fault::NoValue);
    assert_eq!(fault(r#"{"n":"a","v":1,"vb":true}"#), Fault::SeveralValues);
    assert_eq!(
        one(r#"{"n":"a","s":1}"#).map(|r| r.value),
        Ok(Value::Absent)
    );
    // Section 4.5.1: names.
    assert_eq!(fault(r#"{"v":1}"#), Fault::NoName);
    assert_eq!(fault(r#"{"n":"","v":1}"#), Fault::NoName);
    for name in ["-a", "a b", "ä", ":x", "a+"] {
        let record = format!(r#"{{"n":"{name}","v":1}}"#);
        assert_eq!(fault(&record), Fault::BadName(name.to_owned()));
    }
    // Section 4.4 and RFC 9100 (26: from memory): versions.
    assert_eq!(fault(r#"{"bver":11,"n":"a","v":1}"#), Fault::Version(11));
    assert_eq!(
        one(r#"{"bver":26,"n":"a","u":"mA","v":1}"#).map(|r| r.version),
        Ok(26)
    );
    assert_eq!(one(r#"{"n":"a","v":1}"#).map(|r| r.version), Ok(10));
    assert_eq!(fault(r#"{"n":"a","vd":"aGkgCg=="}"#), Fault::BadData);
    assert_eq!(fault(r#"{"n":"a","v":1,"ut":-1}"#), Fault::UpdateTime);
    assert_eq!(
        fault(r#"{"n":"a","bv":1.7e308,"v":1.7e308}"#),
        Fault::NotFinite("v")
    );
    let two = r#"[{"bver":10,"n":"a","v":1},{"bver":26,"n":"a","v":1}]"#;
    let versions = PackError::Record {
        record: 2,
        fault: Fault::Versions(26),
    };
    assert_eq!(resolve(two.as_bytes()), Err(versions));
}

#[test]
fn unknown_labels_are_ignored_unless_they_must_be_understood() {
    // RFC 8428, section 4.4.
    assert!(one(r#"{"n":"a","v":1,"foo":{"bar":[1,null]}}"#).is_ok());
    let refused = one(r#"{"n":"a","v":1,"foo_":1}"#).expect_err("a label that must be understood");
    assert!(
        refused.to_string().contains("`foo_` must be understood"),
        "{refused}"
    );
}

#[test]
fn what_is_no_pack_is_refused_in_one_line() {
    let deep = "[".repeat(20_000);
    let cases = [
        "",
        "null",
        "{}",
        "[1]",
        "[{\"n\":1,\"v\":1}]",
        "[{\"n\":\"a\",\"v\":\"1\"}]",
        "[{]",
        &deep,
        "[{\"n\":\"a\",\"v\":1,\"v\":2}]",
        "[{\"n\":\"a\",\"v\":1e999}]",
        "[{\"n\":\"a\",\"v\":NaN}]",
        "[{\"n\":\"a\",\"v\":null}]",
        "[{\"n\":\"a\",\"v\":1}] x",
    ];
    for pack in cases {
        let refused = resolve(pack.as_bytes()).expect_err(pack).to_string();
        assert!(refused.starts_with("not a SenML pack"), "{refused}");
        assert!(!refused.contains('\n'), "{refused}");
    }
    assert!(resolve(b"[{\"n\":\"a\",\"vs\":\"\xff\"}]").is_err());
}

#[test]
fn limits() {
    let pack = |records: usize| {
        let records: Vec<_> = (0..records).map(|_| r#"{"n":"a","v":1}"#).collect();
        format!("[{}]", records.join(","))
    };
    assert_eq!(
        resolve(pack(256).as_bytes()).map(|records| records.len()),
        Ok(256)
    );
    assert!(resolve(pack(257).as_bytes()).is_err_and(|e| e.to_string().contains("256 records")));
    let fill = |length: usize| format!("[{{\"n\":\"a\",\"v\":1}}{}]", " ".repeat(length - 17));
    assert!(resolve(fill(65_536).as_bytes()).is_ok());
    assert_eq!(
        resolve(fill(65_537).as_bytes()),
        Err(PackError::TooLong(65_537))
    );
}
