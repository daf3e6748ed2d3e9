//! `/openapi.json`: the API for programs that want to call it, OpenAPI 3.1, made from the table of
//! routes. The records' keys are those of the snapshot; here stands what kind of value each has.

use std::sync::LazyLock;

use axum::response::Response;
use serde_json::{Map, Value, json};

use super::answer;
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
        let block = |name| json!({"name": name, "in": "query", "required": true, "schema": {"type": "string"}});
        operation["parameters"] = json!([block("from"), block("to")]);
    }
    let body = match doc.shape {
        Shape::Word(_) => Some(("Word", false)),
        Shape::Pin => Some(("Pin", true)),
        _ => None,
    };
    if let Some((schema, required)) = body {
        operation["requestBody"] = json!({
            "required": required,
            "content": {"application/json": {"schema": of(schema)}},
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
        Shape::Findings => ("200", body("application/json", of("Findings"))),
        Shape::Session => ("200", body("application/json", of("Session"))),
        Shape::OpenApi => ("200", body("application/json", json!({"type": "object"}))),
        Shape::Text(kind) => ("200", body(kind, json!({"type": "string"}))),
        Shape::Word(_) | Shape::Pin | Shape::Leave => ("204", json!({"description": "Done"})),
    };
    json!({status: answer, "default": {"$ref": "#/components/responses/problem"}})
}

fn body(kind: &str, schema: Value) -> Value {
    json!({"description": "As asked", "content": {kind: {"schema": schema}}})
}

fn of(schema: &str) -> Value {
    json!({"$ref": format!("#/components/schemas/{schema}")})
}

/// The ways between two blocks.
fn road() -> Value {
    let text = json!({"type": "string"});
    let record = |required: &[&str], properties: Value| json!({"type": "object", "required": required, "properties": properties});
    let setting = json!({
        "kind": {"enum": ["turnout", "table", "feed"]},
        "id": text,
        "position": {"type": "string"},
        "on": {"type": "boolean"},
        "text": text,
    });
    let setting = record(&["kind", "id", "text"], setting);
    let hindrance = record(&["id", "text"], json!({"id": text, "text": text}));
    let way = json!({
        "text": text,
        "places": {"type": "array", "items": text},
        "leaving_by": text,
        "entering_by": text,
        "settings": {"type": "array", "items": setting},
        "length_mm": {"type": ["number", "null"]},
        "in_the_way": {"type": ["array", "null"], "items": hindrance},
        "ready": {"type": ["boolean", "null"]},
        "reverses": {"type": "boolean"},
    });
    let keys: Vec<&str> = way
        .as_object()
        .into_iter()
        .flatten()
        .map(|(key, _)| &**key)
        .collect();
    let way = record(&keys, way.clone());
    let road = json!({
        "from": text,
        "to": text,
        "live": {"type": "boolean"},
        "cut": {"enum": ["ways", "steps", null]},
        "ways": {"type": "array", "items": way},
    });
    record(&["from", "to", "live", "cut", "ways"], road)
}

fn schemas() -> Value {
    let items = json!({"type": "object", "additionalProperties": of("Record")});
    json!({
        "Snapshot": {
            "type": "object",
            "required": ["at", "layout", "broker", "blocks", "turnouts", "tables", "feeds",
                         "detectors", "trains", "alarms", "line_up"],
            "properties": {
                "at": {"type": "string", "format": "date-time"},
                "layout": {"type": "object"},
                "broker": {"enum": ["connected", "lost"]},
                "blocks": items, "turnouts": items, "tables": items, "feeds": items,
                "detectors": items, "trains": items, "alarms": items,
                "line_up": of("LineUp"),
            },
        },
        "Record": {
            "type": "object",
            "description": "An item, with the keys of the retained MQTT topic of its kind",
        },
        "LineUp": {
            "type": "object",
            "required": ["ready", "exceptions"],
            "properties": {
                "ready": {"type": "boolean"},
                "exceptions": {"type": "array", "items": {
                    "type": "object",
                    "required": ["id", "level", "text", "do"],
                    "properties": {
                        "id": {"type": "string"},
                        "level": {"enum": ["stops", "note"]},
                        "text": {"type": "string"},
                        "do": {"type": "string"},
                    },
                }},
            },
        },
        "Road": road(),
        "Word": {
            "type": "object",
            "properties": {
                "who": {"type": "string"},
                "why": {"type": "string"},
                "minutes": {"type": "number", "minimum": 0},
                "name": {"type": "string"},
                "position": {"enum": ["normal", "reverse"]},
            },
        },
        "Pin": {
            "type": "object",
            "required": ["pin"],
            "properties": {"pin": {"type": "string"}},
        },
        "Session": {
            "type": "object",
            "required": ["needed", "held"],
            "properties": {"needed": {"type": "boolean"}, "held": {"type": "boolean"}},
        },
        "Findings": {
            "type": "object",
            "required": ["findings"],
            "properties": {"findings": {"type": "array", "items": {
                "type": "object",
                "required": ["level", "file", "line", "column", "code", "message", "cure"],
                "properties": {
                    "level": {"enum": ["error", "warning"]},
                    "file": {"type": "string"},
                    "line": {"type": "integer"},
                    "column": {"type": "integer"},
                    "code": {"type": "string"},
                    "message": {"type": "string"},
                    "cure": {"type": "string"},
                },
            }}},
        },
        "Problem": {
            "type": "object",
            "required": ["status", "title"],
            "properties": {
                "type": {"type": "string", "format": "uri-reference"},
                "status": {"type": "integer"},
                "title": {"type": "string"},
                "detail": {"type": "string"},
                "parameter": {"type": "string"},
            },
        },
    })
}
