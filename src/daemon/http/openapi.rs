//! `/openapi.json`: the API for programs that want to call it, OpenAPI 3.1, made from the table of
//! routes. The records' keys are those of the snapshot; here stands what kind of value each has.

use std::sync::LazyLock;

use axum::response::Response;
use serde_json::{Map, Value, json};

use super::answer;
use super::openapi_past;
use super::routes::{self, Doc, Shape};

/// `GET /openapi.json`.
pub(super) async fn get() -> Response {
    static TEXT: LazyLock<String> = LazyLock::new(|| document().to_string());
    answer::json(TEXT.as_str())
}

/// The document.
pub(super) fn document() -> Value {
    let mut paths: Map<String, Value> = Map::new();
    for route in routes::all() {
        let mut item = Map::new();
        if route.path.contains("{id}") {
            item.insert(
                "parameters".into(),
                json!([{
                    "name": "id", "in": "path", "required": true, "schema": {"type": "string"},
                }]),
            );
        }
        for doc in &route.docs {
            item.insert(doc.method.into(), operation(&route.path, doc));
        }
        paths.insert(route.path, Value::Object(item));
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Taillamp",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "What a model railway's detectors say, decided. A hobby aid: it watches \
                            and warns, it is not a safety system.",
        },
        "paths": paths,
        "components": {"schemas": schemas(), "responses": {"problem": {
            "description": "It could not be done (RFC 9457)",
            "content": {"application/problem+json": {"schema": of("Problem")}},
        }}},
    })
}

fn operation(path: &str, doc: &Doc) -> Value {
    let id = format!("{} {}", doc.method, path.trim_start_matches("/api/v1/"))
        .replace(|c: char| !c.is_ascii_alphanumeric(), "_");
    let mut operation = json!({
        "operationId": id,
        "summary": doc.summary,
        "responses": answers(doc.shape),
    });
    if doc.shape == Shape::Road {
        let text = json!({"type": "string"});
        let block = |name| json!({"name": name, "in": "query", "required": true, "schema": text});
        operation["parameters"] = json!([block("from"), block("to")]);
    }
    if let Some(parameters) = openapi_past::parameters(doc.shape) {
        operation["parameters"] = parameters;
    }
    let body = match doc.shape {
        Shape::Word(_) => {
            let verb = path.rsplit('/').next().unwrap_or("");
            Some((word(verb), verb == "name"))
        }
        Shape::Pin => Some((of("Pin"), true)),
        _ => None,
    };
    if let Some((schema, required)) = body {
        operation["requestBody"] = json!({
            "required": required,
            "content": {"application/json": {"schema": schema}},
        });
    }
    operation
}

fn answers(shape: Shape) -> Value {
    let (status, answer) = match shape {
        Shape::Snapshot => ("200", body("application/json", of("Snapshot"))),
        Shape::List(_) => {
            let items = json!({"type": "object", "additionalProperties": of("Record")});
            ("200", body("application/json", items))
        }
        Shape::Item(_) => ("200", body("application/json", of("Record"))),
        Shape::LineUp => ("200", body("application/json", of("LineUp"))),
        Shape::Road => ("200", body("application/json", of("Road"))),
        Shape::Measures => ("200", body("application/json", of("Measures"))),
        Shape::AlarmKinds => ("200", body("application/json", of("AlarmKinds"))),
        Shape::History => ("200", body("application/json", of("History"))),
        Shape::Past => ("200", body("application/json", of("Past"))),
        Shape::Extent => ("200", body("application/json", of("Extent"))),
        Shape::Csv => ("200", body("text/csv", json!({"type": "string"}))),
        Shape::Findings => ("200", body("application/json", of("Findings"))),
        Shape::Session => ("200", body("application/json", of("Session"))),
        Shape::OpenApi => ("200", body("application/json", json!({"type": "object"}))),
        Shape::Text(kind) => ("200", body(kind, json!({"type": "string"}))),
        Shape::Word(_) | Shape::Pin | Shape::Leave => ("204", json!({"description": "Done"})),
    };
    let mut answers = Map::new();
    answers.insert(status.into(), answer);
    for problem in problems(shape) {
        let problem_answer = json!({"$ref": "#/components/responses/problem"});
        answers.insert((*problem).into(), problem_answer);
    }
    Value::Object(answers)
}

/// Every status with which a route may say why not. Those in front can come from any: a query that
/// cannot be read, nothing there, no such method, too slow, another name, and not just now.
fn problems(shape: Shape) -> &'static [&'static str] {
    match shape {
        Shape::Word(_) | Shape::Pin | Shape::Leave | Shape::Findings => &[
            "400", "404", "405", "408", "421", "503", "401", "403", "409", "413", "415", "422",
            "429",
        ],
        // These two answer in plain words that they are not well.
        Shape::Text(_) => &["400", "404", "405", "408", "421", "500", "503"],
        // A journal that cannot be read is our fault, not the reader's.
        Shape::History | Shape::Past | Shape::Extent | Shape::Csv => {
            &["400", "404", "405", "408", "421", "500", "503"]
        }
        _ => &["400", "404", "405", "408", "421", "503"],
    }
}

/// What may be said with a verb (see [`crate::wire::commands`]): keys that it does not read are
/// left alone.
fn word(verb: &str) -> Value {
    let words = |most: u32| {
        json!({
            "type": ["string", "null"], "maxLength": most,
            "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]*$",
        })
    };
    let mut keys = json!({
        "who": words(64),
        "why": words(256),
        "minutes": {"type": ["number", "null"]},
        "name": {"type": ["string", "null"]},
        "block": {"type": ["string", "null"]},
        "position": {"type": ["string", "null"]},
    });
    let day = json!({"type": ["number", "null"], "minimum": 0, "maximum": 1440});
    match verb {
        "in-charge" => keys["minutes"] = day,
        "shelve" => {
            keys["minutes"] = day;
            keys["minutes"]["minimum"] = json!(0.01);
        }
        "seen" => keys["position"] = json!({"enum": ["normal", "reverse", null]}),
        "name" => {
            let pattern = "^[!-~\\u00a1-\\uffff]([ -~\\u00a1-\\uffff]*[!-~\\u00a1-\\uffff])?$";
            keys["name"] = json!({"type": "string", "maxLength": 64, "pattern": pattern});
        }
        "stands-here" | "divide" => keys["name"] = words(64),
        _ => {}
    }
    let mut word = json!({"type": "object", "properties": keys});
    if verb == "name" {
        word["required"] = json!(["name"]);
    }
    word
}

fn body(kind: &str, schema: Value) -> Value {
    json!({"description": "As asked", "content": {kind: {"schema": schema}}})
}

fn of(schema: &str) -> Value {
    json!({"$ref": format!("#/components/schemas/{schema}")})
}

fn schemas() -> Value {
    let text = json!({"type": "string"});
    json!({
        "Snapshot": snapshot(),
        "Record": {
            "type": "object",
            "description": "An item, with the keys of the retained MQTT topic of its kind",
        },
        "LineUp": object(json!({
            "ready": {"type": "boolean"},
            "exceptions": {"type": "array", "items": object(json!({
                "id": text, "level": {"enum": ["stops", "note"]}, "text": text, "do": text,
            }))},
        })),
        "Road": road(),
        "Measures": measures(),
        "AlarmKinds": alarm_kinds(),
        "History": openapi_past::history(),
        "Past": openapi_past::state(),
        "Extent": openapi_past::extent(),
        "Pin": object(json!({"pin": text})),
        "Session": object(json!({"needed": {"type": "boolean"}, "held": {"type": "boolean"}})),
        "Findings": object(json!({"findings": {"type": "array", "items": object(json!({
            "level": {"enum": ["error", "warning"]},
            "file": text, "line": {"type": "integer"}, "column": {"type": "integer"},
            "code": text, "message": text, "cure": text,
        }))}})),
        "Problem": {
            "type": "object",
            "required": ["status", "title"],
            "properties": {
                "type": {"type": "string", "format": "uri-reference"},
                "status": {"type": "integer"},
                "title": text,
                "detail": text,
                "parameter": text,
            },
        },
    })
}

fn snapshot() -> Value {
    let items = json!({"type": "object", "additionalProperties": of("Record")});
    object(json!({
        "at": {"type": "string", "format": "date-time"},
        "layout": {"type": "object"},
        "broker": {"enum": ["connected", "lost"]},
        "waiting": {"type": ["object", "null"]},
        "blocks": items, "turnouts": items, "tables": items, "feeds": items,
        "detectors": items, "trains": items, "alarms": items,
        "line_up": of("LineUp"),
    }))
}

/// The measures of alarm management.
fn measures() -> Value {
    let (text, number, count) = (
        json!({"type": "string"}),
        json!({"type": "number"}),
        json!({"type": "integer"}),
    );
    let ids = json!({"type": "array", "items": text});
    let limit = object(json!({
        "acceptable": number,
        "manageable": {"type": ["number", "null"]},
        "unit": text,
        "source": text,
    }));
    object(json!({
        "window_s": number,
        "raised": count,
        "per_10_min": number,
        "last_10_min": count,
        "peak_10_min": count,
        "flood": {"type": "boolean"},
        "flood_percent": number,
        "over_10_percent": number,
        "chattering": ids,
        "stale": ids,
        "standing": count,
        "shelved": count,
        "priorities": object(json!({"high": number, "medium": number, "low": number})),
        "most_frequent": {
            "type": "array",
            "items": object(json!({"id": text, "times": count})),
        },
        "limits": {"type": "object", "additionalProperties": limit},
    }))
}

/// The table of alarm types.
fn alarm_kinds() -> Value {
    let (text, number) = (json!({"type": "string"}), json!({"type": "number"}));
    let kind = object(json!({
        "type": text,
        "subject": text,
        "priority": {"enum": ["low", "medium", "high"]},
        "priority_reason": text,
        "latched": {"type": "boolean"},
        "cause": text,
        "consequence": text,
        "do": text,
        "respond_within_s": number,
        "on_delay_s": number,
        "off_delay_s": number,
        "re_alarm_limit_s": number,
    }));
    object(json!({"kinds": {"type": "array", "items": kind}}))
}

/// The ways between two blocks.
fn road() -> Value {
    let text = json!({"type": "string"});
    let setting = json!({
        "type": "object",
        "required": ["kind", "id", "text"],
        "properties": {
            "kind": {"enum": ["turnout", "table", "feed"]},
            "id": text, "position": text, "on": {"type": "boolean"}, "text": text,
        },
    });
    let way = object(json!({
        "text": text,
        "places": {"type": "array", "items": text},
        "leaving_by": text,
        "entering_by": text,
        "settings": {"type": "array", "items": setting},
        "length_mm": {"type": ["number", "null"]},
        "in_the_way": {
            "type": ["array", "null"],
            "items": object(json!({"id": text, "text": text})),
        },
        "ready": {"type": ["boolean", "null"]},
        "reverses": {"type": "boolean"},
    }));
    object(json!({
        "from": text,
        "to": text,
        "live": {"type": "boolean"},
        "cut": {"enum": ["ways", "steps", null]},
        "ways": {"type": "array", "items": way},
    }))
}

/// An object that always has all of these.
pub(super) fn object(properties: Value) -> Value {
    let required: Vec<&String> = properties
        .as_object()
        .into_iter()
        .flat_map(Map::keys)
        .collect();
    json!({"type": "object", "required": required, "properties": properties})
}
