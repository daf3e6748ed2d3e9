"""All of cargo-mutants' mutants of the engine in one program: a number in the environment says which
of them lives. One build instead of thousands.

Input: the list that `cargo mutants --list --json` gives, the sources. Output: the sources rewritten
in place, in a copy of the tree. Each mutant is a branch: `if crate::mutated(17) { a < b } else
{ a <= b }`; with TAILLAMP_REACHED in the environment, a file, the program writes there which ones it
met, so that only those tests need play a mutant that do. What does not compile in that form (a `Default` that a type has not) is left out, as
cargo-mutants calls it unviable; so is what cannot be written as a branch (in a constant, in a chain
of `let`): those are rest.py's to play.
"""

import collections
import json
import os
import re
import subprocess

import tree_sitter
import tree_sitter_rust

LOGIC = {"&&", "||"}
COMPARES = {"==", "!=", "<", ">", "<=", ">="}
LEFT_ALONE = {
    "const_item", "static_item", "attribute_item", "macro_invocation", "token_tree", "array_type",
}
# All but those that constants are made with.
CONST_FN = rb"\bconst fn (?!limit\b|from_|plus\b|new\b)"
# The engine has no standard library: the copy gets one, to read the environment.
SWITCH = """extern crate alloc;
#[macro_use]
extern crate std;
#[doc(hidden)]
#[allow(missing_docs)]
pub fn mutated(n: u16) -> bool {
    static WHICH: std::sync::OnceLock<u16> = std::sync::OnceLock::new();
    let which = || std::env::var("TAILLAMP_MUTANT").ok().and_then(|w| w.parse().ok());
    *WHICH.get_or_init(|| which().unwrap_or(u16::MAX)) == n
}
#[doc(hidden)]
#[allow(missing_docs)]
pub fn met(n: u16) -> bool {
    differs(n, true);
    mutated(n)
}
#[doc(hidden)]
#[allow(missing_docs)]
pub fn differs(n: u16, is: bool) {
    if is && notes().is_some() {
        reached(n);
    }
}
fn notes() -> Option<&'static std::sync::Mutex<std::fs::File>> {
    static NOTES: std::sync::OnceLock<Option<std::sync::Mutex<std::fs::File>>> =
        std::sync::OnceLock::new();
    let open = || {
        let path = std::env::var_os("TAILLAMP_REACHED")?;
        // Added to: a test that starts the program meets what that meets.
        let file = std::fs::File::options().create(true).append(true).open(path);
        file.ok().map(std::sync::Mutex::new)
    };
    NOTES.get_or_init(open).as_ref()
}
fn reached(n: u16) {
    use std::io::Write;
    use std::sync::atomic::{AtomicBool, Ordering};
    static BEFORE: [AtomicBool; 8192] = [const { AtomicBool::new(false) }; 8192];
    if !BEFORE[n as usize].swap(true, Ordering::Relaxed) {
        if let Some(Ok(mut file)) = notes().map(|file| file.lock()) {
            let _ = writeln!(file, "{n}");
        }
    }
}
"""
ROUNDS_MAX = 20


def lives(n):
    return f"crate::met({n})"


def marked(n, text):
    """Where a compiler's complaint is found again."""
    return f"/*<{n}*/{text}/*>*/"


class Source:
    """One file, and the mutants that are in it."""

    def __init__(self, parser, text, mutants, unviable):
        self.text = text
        self.tree = parser.parse(text)
        self.placed = set()
        starts = [0]
        for line in text.split(b"\n"):
            starts.append(starts[-1] + len(line) + 1)

        def offset(place):
            line = text[starts[place["line"] - 1] : starts[place["line"]]].decode()
            return starts[place["line"] - 1] + len(line[: place["column"] - 1].encode())

        self.at = collections.defaultdict(list)
        for n, mutant in mutants:
            if n not in unviable:
                span = mutant["span"]
                key = offset(span["start"]), offset(span["end"]), mutant["genre"]
                self.at[key].append((n, mutant["replacement"]))

    def of(self, node):
        return self.text[node.start_byte : node.end_byte].decode()

    def take(self, genre, start, end=None):
        found = self.at.get((start.start_byte, (end or start).end_byte, genre), [])
        self.placed |= {n for n, _ in found}
        return found

    def written(self):
        return self.emit(self.tree.root_node, False)

    def emit(self, node, const):
        if node.type in LEFT_ALONE:
            return self.of(node)
        if node.type == "function_item":
            words = [child for child in node.children if child.type == "function_modifiers"]
            const = any("const" in self.of(word) for word in words)
        elif const:
            return self.of(node)
        turn = getattr(self, "turn_" + node.type, None)
        return (turn and turn(node, const)) or self.plain(node, const)

    def plain(self, node, const, instead=None):
        out, at = [], node.start_byte
        for child in node.children:
            out.append(self.text[at : child.start_byte].decode())
            own = instead and instead.get(child.id)
            out.append(own or self.emit(child, const))
            at = child.end_byte
        return "".join(out) + self.text[at : node.end_byte].decode()

    def has_let(self, node):
        inner = {"binary_expression", "let_condition", "let_chain", "parenthesized_expression"}
        return node.type in {"let_condition", "let_chain"} or any(
            self.has_let(child) for child in node.children if child.type in inner
        )

    def turn_binary_expression(self, node, const):
        left, sign, right = (node.child_by_field_name(w) for w in ("left", "operator", "right"))
        if self.has_let(node):
            return None
        mutants = self.take("BinaryOperator", sign)
        if not mutants:
            return None
        one, other, was = self.emit(left, const), self.emit(right, const), self.of(sign)
        if was in LOGIC:
            [(n, word)] = mutants
            return (
                f"({{ let __l = {one}; if {lives(n)} {{ __l {word} {other} }}"
                f" else {{ __l {was} {other} }} }})"
            )
        if was in COMPARES:
            return self.compared(one, was, other, mutants)
        arms = "".join(
            f"if {lives(n)} {{ {marked(n, f'__l {word} __r')} }} else " for n, word in mutants
        )
        return f"(match ({one}, {other}) {{ (__l, __r) => {arms}{{ __l {was} __r }} }})"

    def compared(self, one, was, other, mutants):
        """A comparison has met its mutant where the two say different things."""
        arms, notes = "", ""
        for n, word in mutants:
            instead = marked(n, f"*__l {word} *__r")
            arms += f"if crate::mutated({n}) {{ {instead} }} else "
            notes += f"crate::differs({n}, __is != ({instead})); "
        return (
            f"(match (&({one}), &({other})) {{ (__l, __r) =>"
            f" {arms}{{ let __is = *__l {was} *__r; {notes}__is }} }})"
        )

    def turn_compound_assignment_expr(self, node, const):
        left, sign, right = (node.child_by_field_name(w) for w in ("left", "operator", "right"))
        mutants = self.take("BinaryOperator", sign)
        one, other = self.of(left), self.emit(right, const)
        arms = "".join(
            f"if {lives(n)} {{ {marked(n, f'{one} {word} {other}')} }} else " for n, word in mutants
        )
        return arms and f"{{ {arms}{{ {one} {self.of(sign)} {other} }} }}"

    def turn_array_expression(self, node, const):
        length = node.child_by_field_name("length")
        return length and self.plain(node, const, {length.id: self.of(length)})

    def turn_unary_expression(self, node, const):
        mutants = self.take("UnaryOperator", node.children[0]) or self.take("UnaryOperator", node)
        if not mutants:
            return None
        [(n, _)] = mutants
        inner = self.emit(node.children[1], const)
        return f"(if {lives(n)} {{ {marked(n, inner)} }} else {{ {self.of(node.children[0])}{inner} }})"

    def turn_field_initializer(self, node, const):
        value = node.child_by_field_name("value")
        return self.left_out(node, self.emit(value, const) if value else None)

    def turn_shorthand_field_initializer(self, node, const):
        return self.left_out(node, self.of(node))

    def left_out(self, node, value):
        """A field of a struct, or what the struct's base has for it."""
        bases = [n for n in node.parent.children if n.type == "base_field_initializer"]
        mutants = self.at.get((node.start_byte, node.end_byte + 1, "StructField"), [])
        if not bases or not mutants:
            return None
        self.placed |= {n for n, _ in mutants}
        [(n, _)] = mutants
        name = self.of(node).split(":")[0].strip()
        base = self.of(bases[0]).removeprefix("..")
        instead = marked(n, f"({base}).{name}")
        return f"{name}: (if {lives(n)} {{ {instead} }} else {{ {value} }})"

    def turn_match_arm(self, node, const):
        pattern = node.child_by_field_name("pattern")
        guard = pattern.child_by_field_name("condition")
        if guard is not None and self.has_let(guard):
            return None
        gone = self.take("MatchArm", node)
        guards = self.take("MatchArmGuard", guard) if guard is not None else []
        if not gone and not guards:
            return None
        shape, conditions = self.of(pattern), [f"!{lives(n)}" for n, _ in gone]
        if guard is not None:
            word = next(child for child in pattern.children if child.type == "if")
            shape = self.text[pattern.start_byte : word.start_byte].decode()
            inner = f"({self.emit(guard, const)})"
            for n, to in guards:
                inner = f"({lives(n)} || {inner})" if to == "true" else f"(!{lives(n)} && {inner})"
            conditions.append(inner)
        first = (gone + guards)[0][0]
        text = marked(f"G{first}", f"{shape} if {' && '.join(conditions)}")
        return self.plain(node, const, {pattern.id: text})

    def turn_block(self, node, const):
        inner = [c for c in node.children if c.is_named and "comment" not in c.type]
        if node.parent.type != "function_item" or not inner:
            return None
        mutants = self.take("FnValue", node) or self.take("FnValue", inner[0], inner[-1])
        heads = "".join(
            f"if {lives(n)} {{ {marked(n, f'return {word};')} }} " for n, word in mutants
        )
        return heads and "{ " + heads + self.plain(node, const)[1:]


def unconstant(text):
    """Functions that no constant needs are no `const fn`: in those there is no branch. As long."""
    return re.sub(CONST_FN, b"      fn ", text)


def write(tree, mutants, unviable):
    """Rewrites the sources; the numbers of the mutants that are in them."""
    subprocess.run(["git", "checkout", "--quiet", "src/engine"], cwd=tree, check=True)
    parser = tree_sitter.Parser(tree_sitter.Language(tree_sitter_rust.language()))
    files = collections.defaultdict(list)
    for n, mutant in enumerate(mutants):
        files[mutant["file"]].append((n, mutant))
    placed = set()
    for name, inside in files.items():
        source = Source(parser, unconstant((tree / name).read_bytes()), inside, unviable)
        text = source.written()
        if name.endswith("engine/lib.rs"):
            text = text.replace("extern crate alloc;", SWITCH, 1)
        (tree / name).write_text(text)
        placed |= source.placed
    return placed


def blamed(tree, mutants, message):
    """The mutants that one complaint of the compiler is about."""
    for span in sorted(message["spans"], key=lambda span: not span["is_primary"]):
        path = tree / span["file_name"]
        text = path.read_bytes() if path.exists() else b""
        open_marks = []
        for mark in re.finditer(rb"/\*<(\w+)\*/|/\*>\*/", text):
            # A match that lacks an arm now: the first arm that can be away after its head.
            if mark.start() > span["byte_start"]:
                word = (mark.group(1) or b"").decode()
                if "non-exhaustive" in message["message"] and word.startswith("G"):
                    return {int(word[1:])}
                if "non-exhaustive" not in message["message"]:
                    break
            elif mark.group(1):
                open_marks.append(mark.group(1).decode())
            elif open_marks:
                open_marks.pop()
        if open_marks:
            n = int(open_marks[-1].lstrip("G"))
            same = {
                other
                for other, mutant in enumerate(mutants)
                if mutant["file"] == mutants[n]["file"] and mutant["span"] == mutants[n]["span"]
            }
            return same if open_marks[-1].startswith("G") else {n}
    return set()


def build(tree, mutants, environment):
    """Leaves out what does not compile, until the rest does; the numbers of what is in it."""
    unviable = set()
    for _ in range(ROUNDS_MAX):
        placed = write(tree, mutants, unviable)
        done = subprocess.run(
            ["cargo", "check", "-p", "taillamp-engine", "--message-format=json"],
            cwd=tree, env={**os.environ, **environment}, capture_output=True, text=True,
        )
        if done.returncode == 0:
            return placed
        wrong = set()
        for line in done.stdout.splitlines():
            said = json.loads(line)
            if said.get("reason") == "compiler-message" and said["message"]["level"] == "error":
                wrong |= blamed(tree, mutants, said["message"])
        if not wrong - unviable:
            raise SystemExit(f"the program of all mutants does not compile:\n{done.stderr[-2000:]}")
        unviable |= wrong
    raise SystemExit("the program of all mutants does not compile")
