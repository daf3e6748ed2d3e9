//! The table of a scoring run.

use std::collections::BTreeMap;

use taillamp::engine::alarm::kinds::Priority;

use crate::mot::{Mot, match_frame};
use crate::scenario::{Grade, Played};

#[derive(Default)]
struct Row {
    evenings: usize,
    hours: f64,
    trains: (usize, usize),
    engine: Mot,
    oracle: Mot,
    vacant_s: f64,
    unheard_s: f64,
    violations: usize,
    met: usize,
    predictable: usize,
    shown: usize,
    in_time: usize,
    shown_in_time: usize,
    warned: usize,
    leads: Vec<f64>,
    needless: usize,
    needless_at_4: (usize, f64),
}

impl Row {
    fn add(&mut self, one: &Played) {
        self.evenings += 1;
        let hours = (one.case.seconds as f64 - 20.0) / 3600.0;
        self.hours += hours;
        let (low, high) = self.trains;
        self.trains = (
            if low == 0 {
                one.trains
            } else {
                low.min(one.trains)
            },
            high.max(one.trains),
        );
        self.engine.add(&one.engine);
        self.oracle.add(&one.oracle);
        self.vacant_s += one.vacant_s;
        self.unheard_s += one.unheard_s;
        self.violations += one.violations.len();
        for met in &one.watch.met {
            self.met += 1;
            if met.is_predictable() {
                self.predictable += 1;
                self.in_time += usize::from(met.is_in_time());
                self.shown += usize::from(met.is_shown());
                self.shown_in_time += usize::from(met.is_shown() && met.is_in_time());
                self.warned += usize::from(met.lead_s.is_some());
                self.leads.extend(met.lead_s);
            }
        }
        let needless = one.watch.needless().len();
        self.needless += needless;
        if one.trains <= 4 {
            self.needless_at_4.0 += needless;
            self.needless_at_4.1 += hours;
        }
    }
}

pub fn print(played: &[Played]) {
    let mut rows: BTreeMap<(usize, String), Row> = BTreeMap::new();
    for one in played {
        let grade = one.case.grade;
        let place = Grade::ALL.iter().position(|g| *g == grade).unwrap_or(0);
        let kind = format!("{} {}", grade.word(), one.case.kind.word());
        rows.entry((place * 10, kind)).or_default().add(one);
        let all = format!("{} all", grade.word());
        rows.entry((place * 10 + 1, all)).or_default().add(one);
    }
    println!(
        "| track, layout | evenings | trains | IDF1 | oracle | ratio | MOTA | switches | \
         vacant s | unheard s | met | predictable, in time | and shown, in time | lead s | \
         needless/h | at 4 trains |"
    );
    println!("|{}", "---|".repeat(15));
    for ((_, name), row) in &mut rows {
        row.leads.sort_by(f64::total_cmp);
        let middle = row.leads.get(row.leads.len() / 2).copied().unwrap_or(0.0);
        println!(
            "| {name} | {} | {}-{} | {:.4} | {:.4} | {:.4} | {:.3} | {} | {:.1} | {:.1} | {} | \
             {}, {} | {}, {} | {middle:.1} | {:.1} | {:.1} |",
            row.evenings,
            row.trains.0,
            row.trains.1,
            row.engine.idf1(),
            row.oracle.idf1(),
            row.engine.idf1() / row.oracle.idf1().max(1e-9),
            row.engine.mota(),
            row.engine.switches,
            row.vacant_s,
            row.unheard_s,
            row.met,
            row.predictable,
            row.in_time,
            row.shown,
            row.shown_in_time,
            row.needless as f64 / row.hours.max(1e-9),
            row.needless_at_4.0 as f64 / row.needless_at_4.1.max(1e-9),
        );
    }
    for grade in Grade::ALL {
        println!("bar: {} at least {}", grade.word(), grade.bar());
    }
    if std::env::var_os("SCORING_TELL").is_some() {
        played.iter().for_each(tell);
    }
}

/// Every warning of medium or high that came and went, with what the truth says of it.
pub fn warnings(one: &Played) -> String {
    let over = one.watch.over.iter();
    let mut up: Vec<_> = over.filter(|up| up.priority >= Priority::Medium).collect();
    up.sort_by_key(|up| (up.since, &up.id));
    let mut told = String::new();
    for up in up {
        let until = up.until.map_or(0.0, |at| at.as_secs_f64());
        let truth = if up.justified {
            "borne out"
        } else {
            "needless"
        };
        let since = up.since.as_secs_f64();
        told += &format!("{since:.1}..{until:.1} {} {}: {truth}\n", up.id, up.text);
    }
    told
}

fn tell(one: &Played) {
    let case = &one.case;
    println!(
        "== {} {} seed {} trains {} {:?}: idf1 {:.3} oracle {:.3} switches {} fp {} misses {} of \
         {}, {:.0} m",
        case.kind.word(),
        case.grade.word(),
        case.seed,
        one.trains,
        case.fault,
        one.engine.idf1(),
        one.oracle.idf1(),
        one.engine.switches,
        one.engine.false_positives,
        one.engine.misses,
        one.engine.objects,
        one.travelled_m
    );
    for line in &one.story {
        println!("   {line}");
    }
    for met in &one.watch.met {
        if met.is_predictable() && !met.is_in_time() {
            println!(
                "   late {} {:?} {} {} foreseen {:.1} shown {:.1} lead {:?}",
                met.at, met.what, met.place, met.train, met.foreseen_s, met.shown_s, met.lead_s
            );
        }
    }
    for up in one.watch.needless() {
        let until = up.until.map_or(0.0, |at| at.as_secs_f64());
        let word = if up.priority == Priority::High {
            "high"
        } else {
            "medium"
        };
        println!(
            "   needless {word} {} {}..{until:.1} {} ::{}",
            up.id, up.since, up.text, up.really
        );
    }
    tell_identities(one);
}

/// Each change of who is matched with whom.
fn tell_identities(one: &Played) {
    let mut last: BTreeMap<u32, u32> = BTreeMap::new();
    let mut now: BTreeMap<u32, u32> = BTreeMap::new();
    for (number, frame) in one.frames.iter().enumerate() {
        let matched: BTreeMap<u32, u32> = match_frame(frame, &last).into_iter().collect();
        if matched != now {
            let gone: Vec<_> = now
                .iter()
                .filter(|(id, _)| !matched.contains_key(id))
                .collect();
            let new: Vec<_> = matched
                .iter()
                .filter(|(id, at)| now.get(id) != Some(at))
                .collect();
            let seconds = 20.0 + number as f64 / 2.0;
            println!("   {seconds:.1} match: no more {gone:?}, now {new:?}");
        }
        last.extend(&matched);
        now = matched;
    }
}
