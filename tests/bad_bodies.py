#!/usr/bin/env python3
"""Sends bad bodies to POST /v1/assess and reads how each is refused.

    tests/bad_bodies.py http://127.0.0.1:8377

Every refusal has to be a problem document (RFC 9457) of the right status and
type that points (RFC 6901) at what is wrong: at that and at nothing else where
one thing is wrong, at all of it where several are. Good bodies stand between
the bad ones wherever a limit is told, one on each side of it. No answer may be
a 5xx, no connection may be cut, and at the end the service is still well.

Each bad body is a good one with one small edit, so a case reads as the edit and
the pointer expected. Prints a line a case, then `N passed, M failed`; exits 1
if any failed, 2 if it was called wrongly. Python 3.11, standard library only.
"""

import copy
import http.client
import json
import select
import socket
import sys
from dataclasses import dataclass, field
from urllib.parse import urlsplit

LIMIT = 256 * 1024  # bytes in a body
TIMEOUT = 10  # seconds until a silent service counts as hung
ASSESS = "/v1/assess"
JSON = {"Content-Type": "application/json"}


# --- Good bodies, which the cases alter ---------------------------------------------------


def eur(amount):
    return {"amount": amount, "currency": "EUR"}


def usd(amount):
    return {"amount": amount, "currency": "USD"}


# Every member that a listing still on offer can have.
OFFERED = {
    "id": "lot-381",
    "title": "A steel watch of the fifties",
    "description": "Runs. The dial has aged evenly.",
    "url": "https://example.org/lot/381",
    "language": "en",
    "now": "2026-11-24T21:00:00Z",
    "seller": {
        "id": "s-17",
        "segment": "open_marketplace",
        "stored": False,
        "feedback": {"positive": 1204, "negative": 3},
        "outcomes": {"bad": 1, "total": 5},
    },
    "offer": {
        "kind": "fixed",
        "price": eur("640.00"),
        "shipping": eur("15.00"),
        "fixed_costs": eur("180.00"),
        "buyer_fee_rate": 0.05,
        "import_rate": 0.2,
        "ends_at": "2026-11-30T20:00:00Z",
        "returns": {"kind": "not_as_described", "honoured": 0.8, "cost": eur("20.00")},
    },
    "value": {
        "all_original": {"low": eur("900.00"), "high": eur("1600.00")},
        "selling_fee_rate": 0.1,
        "metal": {"fineness": 750, "mass_g": 11.0, "price_per_g": eur("60.00")},
    },
    "stage": "offered",
    "aim": {"plan": "resell", "required_margin": 0.1, "asking_cost": eur("4.00")},
    "watch": {
        "maker": "Maker A",
        "reference": "R-100",
        "dial_diameter_mm": 31.0,
        "case_diameter_mm": 36.0,
        "years": [1957, 1961],
        "traits": {"luminous": True, "gold_claimed": True, "small_seconds": True},
        "facts": {
            "dial_text": ["waterproof"],
            "calibre": "C-10",
            "jewels": 21,
            "case_marks": ["750"],
            "serial": "10001",
        },
    },
    "disclosed": ["refinished"],
    "photos": [
        {"id": "p1", "view": "dial_macro", "dial_width_px": 620, "sharpness": 1.0, "px_per_mm": None},
        {"id": "p2", "view": "side_profile", "px_per_mm": 14.5},
    ],
    "asked": [{"view": "movement_open", "answer": "refused"}],
    "observations": [
        {"sign": "dial_minute_dots_gone", "call": "present", "photo": "p1"},
        {"sign": "hands_wrong_length", "call": "absent", "certainty": 0.9},
        {"sign": "movement_engraving_fresh", "call": "present", "in_hand": True},
        {"sign": "lume_glows_long", "call": "absent"},
    ],
    "accept_proposals": False,
    "interval": "delta",
    "reference_book": {
        "references": [{"maker": "Maker A", "reference": "R-100", "years": [1955, 1962], "calibres": ["C-10"],
                        "serials": [{"from": 10000, "to": 10999, "years": [1957, 1958]}]}],
        "calibres": [{"maker": "Maker A", "calibre": "C-10", "jewels": [21], "winding": "hand", "lignes": 11.5}],
    },
    "include": ["components", "shares", "interval", "ask_next", "decision"],
}

# The same watch, come home.
RECEIVED = OFFERED | {
    "stage": "received",
    "arrival": {
        "paid": eur("640.00"),
        "received_at": "2026-11-20T10:00:00Z",
        "return_until": "2026-12-04T10:00:00Z",
    },
}

# The least that can be sent.
LEAST = {"observations": []}


# --- Small edits --------------------------------------------------------------------------


def tokens(pointer):
    """The reference tokens of a JSON pointer, unescaped."""
    return [t.replace("~1", "/").replace("~0", "~") for t in pointer.split("/")[1:]]


def place(document, pointer):
    """The container that a pointer's last token lives in, and that token."""
    *path, last = tokens(pointer)
    for token in path:
        if isinstance(document, list):
            document = document[int(token)]
        else:
            document = document.setdefault(token, {})
    return document, (int(last) if isinstance(document, list) and last != "-" else last)


def put(pointer, value):
    """Sets a member; `-` appends to an array, objects on the way are made."""

    def edit(document):
        holder, key = place(document, pointer)
        if key == "-" and isinstance(holder, list):
            holder.append(copy.deepcopy(value))
        else:
            holder[key] = copy.deepcopy(value)

    return edit


def cut(pointer):
    """Takes a member out."""

    def edit(document):
        holder, key = place(document, pointer)
        del holder[key]

    return edit


def edited(base, *edits):
    document = copy.deepcopy(base)
    for edit in edits:
        edit(document)
    return document


def encode(document):
    return document if isinstance(document, bytes) else json.dumps(document).encode()


def twice(pointer, name=None, base=OFFERED):
    """The good body with one member given a second time, at the end of its object.

    `name` is how the second one is spelt in JSON, if not as the first.
    """
    holder, key = place(copy.deepcopy(base), pointer)
    parent = pointer.rsplit("/", 1)[0]
    text = json.dumps(edited(base, put(f"{parent}/@twin@", holder[key])))
    return text.replace('"@twin@"', name or json.dumps(key)).encode()


def padded(document, length):
    """A body of exactly `length` bytes, filled with the white space JSON allows."""
    raw = encode(document)
    return raw + b" " * (length - len(raw))


def see(sign, call="present", **rest):
    return {"sign": sign, "call": call, **rest}


# --- Cases --------------------------------------------------------------------------------


@dataclass
class Case:
    name: str
    body: bytes | None
    status: int = 200
    problem: str | None = None  # the last part of the problem's type
    pointers: set | None = None  # None: not looked at
    all_of_it: bool = True  # no other pointer may be named
    words: tuple = ()  # to be found in the details
    method: str = "POST"
    path: str = ASSESS
    headers: dict = field(default_factory=lambda: dict(JSON))
    send: str = "whole"  # whole | chunked | promised (announces 1 GiB)
    allow: str | None = None  # a method that Allow must list


CASES = []


def case(*args, **kwargs):
    CASES.append(Case(*args, **kwargs))


def good(name, *edits, base=OFFERED, **how):
    case(name, encode(edited(base, *edits)), **how)


def malformed(name, body, pointer=""):
    case(name, body, 400, "malformed", {pointer})


def invalid(name, edits, pointers, words=(), base=OFFERED, all_of_it=True):
    case(name, encode(edited(base, *edits)), 422, "invalid", set(pointers), all_of_it, words)


def wrong(name, pointer, value, words=(), base=None):
    """One member set to something it cannot be; the fault lies where the edit was."""
    base = base or (RECEIVED if pointer.startswith("/arrival") else OFFERED)
    invalid(name, [put(pointer, value)], [pointer], words, base)


def missing(name, pointer, base=OFFERED):
    invalid(name, [cut(pointer)], [pointer], base=base)


def calls(name, observations, pointers, *edits, **how):
    """The observations alone, with nothing beside them but the edits."""
    invalid(name, [put("/observations", observations), *edits], pointers, base=LEAST, **how)


def several(name, edits, pointers, base=OFFERED):
    """More than one fault: each has to be named; a consequence may be named beside them."""
    invalid(name, edits, pointers, base=base, all_of_it=False)


# Good bodies: whatever is refused below must not be refused along with these.

good("good: everything of an offer")
good("good: everything after arrival", base=RECEIVED)
good("good: the least", base=LEAST)
good("good: content type with charset", headers={"Content-Type": "application/json; charset=utf-8"})
good("good: content type in capitals", headers={"Content-Type": "Application/JSON"})
good("good: chunked", send="chunked")
case("good: exactly 256 KiB", padded(OFFERED, LIMIT))
case("good: null for every optional member", encode({k: None for k in RECEIVED} | LEAST))
good("good: null for optional members of the offer", *[put(f"/offer/{k}", None) for k in (
    "shipping", "fixed_costs", "buyer_fee_rate", "import_rate", "ends_at", "returns")])
good("good: null for optional members of the watch",
     *[put(f"/watch/{k}", None) for k in OFFERED["watch"]])
good("good: null for optional members of a call",
     put("/observations/3", see("lume_glows_long", photo=None, certainty=None, in_hand=None)))
good("good: certainty with nothing beside it", put("/observations/0", see("crown_unsigned", certainty=0.8)))
good("good: certainty of one half", put("/observations/0/certainty", 0.5))
good("good: certainty of one", put("/observations/0/certainty", 1))
good("good: low equals high", put("/value/all_original/high", eur("900.00")))
good("good: a price of nothing", put("/offer/price", eur("0.00")))
good("good: whole euros", put("/offer/price", eur("640")))
good("good: whole yen", put("/offer/price", {"amount": "98000", "currency": "JPY"}),
     put("/offer/kind", "fixed"), base=LEAST)
good("good: three decimals where the currency has three", put("/offer/kind", "fixed"),
     put("/offer/price", {"amount": "251.005", "currency": "BHD"}), base=LEAST)
good("good: rates of 0 and 1", put("/offer/buyer_fee_rate", 0), put("/offer/returns/honoured", 1))
good("good: one year twice", put("/watch/years", [1957, 1957]))
good("good: a sign whose trait is not stated", put("/observations", [see("lume_glows_long")]), base=LEAST)
good("good: a billion ratings", put("/seller/feedback/positive", 1_000_000_000))
good("good: all outcomes bad", put("/seller/outcomes", {"bad": 5, "total": 5}))
good("good: time with an offset", put("/now", "2026-11-24T21:00:00.5+05:30"))
good("good: 50 photos", put("/photos", [{"id": f"p{i}", "view": "dial_macro"} for i in range(50)]))
good("good: id of 200 characters", put("/id", "i" * 200))
good("good: title of 500 characters of two bytes", put("/title", "é" * 500))
case("good: title of 500 characters of four bytes",
     json.dumps(edited(OFFERED, put("/title", "🕰" * 500)), ensure_ascii=False).encode())
good("good: description of 20,000 characters", put("/description", "d" * 20_000))
good("good: url of 2,000 characters", put("/url", "https://example.org/".ljust(2_000, "u")))
case("good: member names written with escapes", b'{"\\u006fbservations": []}')

# Not JSON, or not JSON that means one thing.

WHOLE = encode(OFFERED)

malformed("empty body", b"")
malformed("white space alone", b" \r\n\t ")
malformed("not JSON", b"sign=dial_print_soft")
malformed("a bare word", b"observations")
malformed("truncated in the middle", WHOLE[: len(WHOLE) // 2])
malformed("truncated by one byte", WHOLE[:-1])
malformed("truncated in a string", b'{"observations": [], "id": "lot')
malformed("trailing garbage", WHOLE + b"x")
malformed("trailing brace", WHOLE + b"}")
malformed("two documents", WHOLE + b"\n" + WHOLE)
malformed("trailing comma in an object", b'{"observations": [],}')
malformed("trailing comma in an array", b'{"observations": [], "disclosed": ["fake",]}')
malformed("single quotes", b"{'observations': []}")
malformed("bare member name", b"{observations: []}")
malformed("comment", b'{"observations": [] /* none */}')
malformed("NUL after the document", WHOLE + b"\x00")
malformed("newline inside a string", b'{"observations": [], "id": "lot\n381"}')
malformed("unknown escape", b'{"observations": [], "id": "lot\\x381"}')
for literal in ("NaN", "Infinity", "-Infinity", "1e999", "-1e999", "1" * 400,
                "007", "+1", ".5", "1.", "0x10", "True", "undefined"):
    shown = literal if len(literal) < 20 else "an integer of 400 digits"
    malformed(f"number {shown}", b'{"observations": [], "watch": {"dial_diameter_mm": %s}}' % literal.encode())
malformed("NaN in a member nobody knows", b'{"observations": [], "x": NaN}')
malformed("not UTF-8: stray byte", b'{"observations": [], "id": "\xff"}')
malformed("not UTF-8: Latin-1", b'{"observations": [], "title": "caf\xe9"}')
malformed("not UTF-8: overlong", b'{"observations": [], "id": "\xc0\xaf"}')
malformed("not UTF-8: encoded surrogate", b'{"observations": [], "id": "\xed\xa0\x80"}')
malformed("not UTF-8: cut in a character", b'{"observations": [], "id": "\xe2\x82"}')
malformed("not UTF-8: in a member name", b'{"observations": [], "\xfe": 1}')
malformed("not UTF-8: UTF-16", json.dumps(LEAST).encode("utf-16"))
malformed("lone high surrogate", b'{"observations": [], "id": "\\ud800"}')
malformed("lone low surrogate", b'{"observations": [], "id": "\\udc00"}')
malformed("high surrogate before a letter", b'{"observations": [], "id": "\\ud83d\\u0041"}')
malformed("lone surrogate in a member name", b'{"observations": [], "\\ud800": 1}')

DEEP = 100_000
DEEP_OBJECTS = 50_000  # the most, in round figures, that 256 KiB hold: five bytes a level

malformed("nesting: arrays", b"[" * DEEP + b"]" * DEEP)
malformed("nesting: arrays left open", b"[" * DEEP)
malformed("nesting: objects", b'{"":' * DEEP_OBJECTS + b"1" + b"}" * DEEP_OBJECTS)
malformed("nesting: objects left open", b'{"":' * DEEP_OBJECTS)
malformed("nesting: arrays and objects in turn", b'[{"":' * 30_000 + b"1" + b"}]" * 30_000)
malformed("nesting: arrays under a known member",
          b'{"observations": ' + b"[" * DEEP + b"]" * DEEP + b"}")
malformed("nesting: arrays under a member nobody knows",
          b'{"observations": [], "x": ' + b"[" * DEEP + b"]" * DEEP + b"}")

malformed("duplicate key: top level", twice("/id"), "/id")
malformed("duplicate key: the required member", b'{"observations": [], "observations": []}', "/observations")
malformed("duplicate key: nested", twice("/offer/price"), "/offer/price")
malformed("duplicate key: nested twice", twice("/offer/price/currency"), "/offer/price/currency")
malformed("duplicate key: in the first of an array", twice("/observations/0/call"), "/observations/0/call")
malformed("duplicate key: in a later one of an array", twice("/photos/1/view"), "/photos/1/view")
malformed("duplicate key: trait", twice("/watch/traits/luminous"), "/watch/traits/luminous")
malformed("duplicate key: the second spelt with an escape", twice("/id", name='"\\u0069d"'), "/id")
malformed("duplicate key: null both times", b'{"observations": [], "id": null, "id": null}', "/id")
malformed("duplicate key: of a member nobody knows", b'{"observations": [], "x": 1, "x": 2}', "/x")
malformed("duplicate key: with a slash and a tilde", b'{"observations": [], "a/~b": 1, "a/~b": 2}', "/a~1~0b")
malformed("duplicate key: beside faults of meaning",
          twice("/offer/price", base=edited(OFFERED, put("/offer/prise", 1), put("/now", "soon"))),
          "/offer/price")
malformed("duplicate key: in an object inside an unwanted array",
          b'{"observations": [], "offer": [{"price": 1}, {"price": 1, "price": 2}]}', "/offer/1/price")

# Too large, of the wrong kind, at the wrong door.

case("too large: one byte, announced", padded(OFFERED, LIMIT + 1), 413, "too-large")
case("too large: one byte, chunked", padded(OFFERED, LIMIT + 1), 413, "too-large", send="chunked")
case("too large: 300 KB of description", encode(edited(OFFERED, put("/description", "d" * 300_000))),
     413, "too-large")
case("too large: 2 MB, announced", padded(LEAST, 2_000_000), 413, "too-large")
case("too large: 2 MB, chunked", padded(LEAST, 2_000_000), 413, "too-large", send="chunked")
case("too large: 1 GiB announced, 1 MiB sent", padded(LEAST, 1024 * 1024), 413, "too-large", send="promised")
case("too large: 100,000 objects deep", b'{"":' * DEEP + b"1" + b"}" * DEEP, 413, "too-large")
case("too large: not JSON either", b"\xff" * (LIMIT + 1), 413, "too-large")

for name, kind in {"plain text": "text/plain", "a form": "application/x-www-form-urlencoded",
                   "form data": "multipart/form-data; boundary=b", "XML": "application/xml",
                   "bytes": "application/octet-stream", "no type at all": "json"}.items():
    case(f"content type: {name}", WHOLE, 415, "unsupported-media-type", headers={"Content-Type": kind})
case("content type: missing", WHOLE, 415, "unsupported-media-type", headers={})
case("content type: missing, and no body", b"", 415, "unsupported-media-type", headers={})

case("method: GET", None, 405, "method-not-allowed", method="GET", headers={}, allow="POST")
for method in ("PUT", "PATCH", "DELETE"):
    case(f"method: {method}", WHOLE, 405, "method-not-allowed", method=method, allow="POST")

case("path: misspelt", WHOLE, 404, "not-found", path="/v1/asess")
case("path: one below", WHOLE, 404, "not-found", path="/v1/assess/nothing-here")
case("path: another version", WHOLE, 404, "not-found", path="/v99/assess")
case("path: nothing like it", None, 404, "not-found", path="/nothing-here", method="GET", headers={})

# The document as a whole.

for name, text in {"array": b"[]", "array round a good body": b"[%s]" % WHOLE, "string": b'"observations"',
                   "number": b"5", "true": b"true", "null": b"null"}.items():
    case(f"top level: {name}", text, 422, "invalid", {""})

# Members nobody knows.

wrong("unknown: at the top", "/prise", "640.00")
wrong("unknown: in the offer", "/offer/prise", eur("640.00"))
wrong("unknown: even if null", "/offer/prise", None)
wrong("unknown: in money", "/offer/price/unit", "cent")
wrong("unknown: in the returns", "/offer/returns/days", 14)
wrong("unknown: in the seller", "/seller/name", "x")
wrong("unknown: in the feedback", "/seller/feedback/neutral", 2)
wrong("unknown: in the outcomes", "/seller/outcomes/good", 4)
wrong("unknown: in the value", "/value/mid", eur("1200.00"))
wrong("unknown: in the range of values", "/value/all_original/mid", eur("1200.00"))
wrong("unknown: in the metal", "/value/metal/carat", 18)
wrong("unknown: in the arrival", "/arrival/by", "post")
wrong("unknown: in the aim", "/aim/hurry", True)
wrong("unknown: in the watch", "/watch/colour", "black")
wrong("unknown: trait", "/watch/traits/shiny", True)
wrong("unknown: trait stated false", "/watch/traits/shiny", False)
wrong("unknown: in the facts", "/watch/facts/rubies", 21)
wrong("unknown: in a photo", "/photos/1/width", 800)
wrong("unknown: in a request made", "/asked/0/when", "yesterday")
wrong("unknown: in a call", "/observations/3/sure", True)
wrong("unknown: in the reference book", "/reference_book/makers", [])

for name in ("a/b", "m~n", "~1", "~0", "/", "", "a b", "a%2Fb", 'a"b\\c', "Größe", "0", "-", "tab\there", "🕰"):
    escaped = name.replace("~", "~0").replace("/", "~1")
    wrong(f"escaping: {name!r} at the top", f"/{escaped}", 1)
wrong("escaping: in the offer", "/offer/x~1y~0z", 1)
wrong("escaping: trait", "/watch/traits/lum~1in~0ous", True)
wrong("escaping: in an array element", "/observations/1/~1~0", 1)

# Members that must be there.

invalid("missing: observations of an empty object", [cut("/observations")], ["/observations"], base=LEAST)
missing("missing: observations of a full body", "/observations")
wrong("missing: observations null", "/observations", None)
missing("missing: call", "/observations/0/call")
missing("missing: sign", "/observations/0/sign")
missing("missing: call of a later one", "/observations/2/call")
wrong("missing: call null", "/observations/0/call", None)
missing("missing: currency", "/offer/price/currency")
missing("missing: amount", "/offer/price/amount")
wrong("missing: amount null", "/offer/price/amount", None)
missing("missing: low", "/value/all_original/low")
missing("missing: high", "/value/all_original/high")
missing("missing: currency deep in the value", "/value/metal/price_per_g/currency")
missing("missing: total", "/seller/outcomes/total")
missing("missing: negative", "/seller/feedback/negative")
missing("missing: id of a photo", "/photos/1/id")
missing("missing: view asked for", "/asked/0/view")
missing("missing: answer", "/asked/0/answer")

# Of the wrong type.

wrong("type: array for the offer", "/offer", [])
wrong("type: array for the seller", "/seller", ["s-17", "open_marketplace"])
wrong("type: array for money", "/offer/price", ["640.00", "EUR"])
wrong("type: number for money", "/offer/price", 640)
wrong("type: string for money", "/offer/price", "640.00 EUR")
wrong("type: string for the offer", "/offer", "fixed")
wrong("type: object for the observations", "/observations", {})
wrong("type: string for the observations", "/observations", "none")
wrong("type: array for a call", "/observations/0", ["crown_unsigned", "present"])
wrong("type: string for a call", "/observations/0", "crown_unsigned")
wrong("type: null for a call", "/observations/0", None)
wrong("type: object for the photos", "/photos", {}, base=edited(OFFERED, cut("/observations/0/photo")))
wrong("type: string for a photo", "/photos/1", "p2")
wrong("type: object for what was asked", "/asked", {})
wrong("type: string for a list of stories", "/disclosed", "refinished")
wrong("type: number in a list of stories", "/disclosed/0", 3)
wrong("type: object for include", "/include", {"decision": True})
wrong("type: string for a number", "/offer/buyer_fee_rate", "0.1")
wrong("type: boolean for a number", "/observations/0/certainty", True)
wrong("type: array for a number", "/watch/dial_diameter_mm", [31.0])
wrong("type: string for a count", "/seller/feedback/positive", "1204")
wrong("type: number for a string", "/id", 381)
wrong("type: boolean for a string", "/title", True)
wrong("type: object for a string", "/description", {"en": "Runs."})
wrong("type: array for a string", "/url", ["https://example.org/"])
wrong("type: number for a time", "/now", 1_795_554_000)
wrong("type: string for a boolean", "/accept_proposals", "no")
wrong("type: number for a boolean", "/observations/0/in_hand", 1)
wrong("type: string for stored", "/seller/stored", "yes")
wrong("type: string for a trait", "/watch/traits/luminous", "yes")
wrong("type: array for the traits", "/watch/traits", ["luminous"])
wrong("type: string for the years", "/watch/years", "1957-1961")
wrong("type: object for the years", "/watch/years", {"from": 1957, "to": 1961})
wrong("type: string for one of the years", "/watch/years/0", "1957")
wrong("type: string for the jewels", "/watch/facts/jewels", "21")
wrong("type: string for the words of the dial", "/watch/facts/dial_text", "waterproof")
wrong("type: number in the words of the dial", "/watch/facts/dial_text/0", 5)
wrong("type: number for a choice", "/offer/kind", 1)
wrong("type: object for a choice", "/offer/kind", {"fixed": None})
wrong("type: object for what was called", "/observations/0/call", {"present": None})
wrong("type: number for a sign", "/observations/0/sign", 7)
wrong("type: array for the reference book", "/reference_book", [])
wrong("type: object for its references", "/reference_book/references", {})
wrong("type: string for a reference", "/reference_book/references/0", "R-100")
wrong("type: string for its calibres", "/reference_book/references/0/calibres", "C-10")
wrong("type: a way of winding there is not", "/reference_book/calibres/0/winding", "rotor")
invalid("type: a check there is not", [put("/reference_book/references/0/silent", ["everything"])],
        ["/reference_book/references/0/silent/0"])
wrong("unknown: in a reference", "/reference_book/references/0/colour", "silver")
wrong("unknown: in a calibre", "/reference_book/calibres/0/rubies", 21)
wrong("book: years reversed", "/reference_book/references/0/years", [1962, 1955])
wrong("book: numbers reversed", "/reference_book/references/0/serials/0", {"from": 9, "to": 1, "years": [1957, 1958]})
wrong("book: a year of another age", "/reference_book/references/0/years/0", 1200)
wrong("book: too many jewels", "/reference_book/calibres/0/jewels/0", 2000)
wrong("book: a name without a letter", "/reference_book/calibres/0/maker", "--")
wrong("book: no size", "/reference_book/calibres/0/lignes", 0)
invalid("book: the same reference twice",
        [lambda d: d["reference_book"]["references"].append({"maker": "MAKER A", "reference": "r 100"})],
        ["/reference_book/references/1"])
invalid("book: lignes and millimetres that differ", [put("/reference_book/calibres/0/diameter_mm", 30.0)],
        ["/reference_book/calibres/0/lignes"])
invalid("book: torn, and a wrong sign beside it",
        [put("/reference_book/references/0/maker", 5), put("/observations/0/sign", "crown_unsined")],
        ["/reference_book/references/0/maker", "/observations/0/sign"])

# Money.

for name, amount in {
    "negative": "-1.00", "a number": 640.0, "an integer": 640, "with a comma": "12,50", "empty": "",
    "with an exponent": "1e3", "after a space": " 5", "before a space": "5 ", "with a plus": "+5.00",
    "in thousands": "1,000.00", "with underscores": "1_000", "hexadecimal": "0x10", "NaN": "NaN",
    "infinity": "Infinity", "with a sign of currency": "€5", "a word": "five", "two points": "1.0.0",
    "a point alone": ".", "in full-width digits": "６４０", "of 60 digits": "9" * 60,
    "with too many decimals": "1.005", "in thousands with a point": "1.250", "with forty decimals": "1." + "0" * 39 + "1",
}.items():
    wrong(f"amount: {name}", "/offer/price/amount", amount)
for pointer in ("/offer/shipping", "/offer/fixed_costs", "/offer/returns/cost", "/value/metal/price_per_g",
                "/arrival/paid", "/aim/asking_cost"):
    wrong(f"amount: negative at {pointer}", f"{pointer}/amount", "-0.01")


def alone(amount, currency):
    """A price with no other money beside it."""
    return LEAST | {"offer": {"kind": "fixed", "price": {"amount": amount, "currency": currency}}}


PRICE = "/offer/price"

invalid("amount: yen have no decimals", [], [f"{PRICE}/amount"], base=alone("10.50", "JPY"))
invalid("amount: dinars have three decimals", [], [f"{PRICE}/amount"], base=alone("1.0005", "BHD"))
for name, code in {"unknown": "EUX", "in lower case": "eur", "too short": "EU", "too long": "EURO",
                   "empty": "", "a symbol": "€", "a number": 978}.items():
    invalid(f"currency: {name}", [], [f"{PRICE}/currency"], base=alone("640.00", code))

wrong("two currencies: shipping", "/offer/shipping/currency", "USD")
wrong("two currencies: fixed costs", "/offer/fixed_costs/currency", "USD")
wrong("two currencies: cost of a return", "/offer/returns/cost/currency", "USD")
wrong("two currencies: low", "/value/all_original/low/currency", "USD")
wrong("two currencies: high", "/value/all_original/high/currency", "USD")
wrong("two currencies: price of the metal", "/value/metal/price_per_g/currency", "USD")
wrong("two currencies: paid", "/arrival/paid/currency", "USD")
wrong("two currencies: cost of asking", "/aim/asking_cost/currency", "USD")
invalid("two currencies: low and high",
        [put("/value/all_original", {"low": usd("900.00"), "high": usd("1600.00")})],
        ["/value/all_original/low/currency", "/value/all_original/high/currency"])
invalid("two currencies: without an offer, the value comes first",
        [put("/value/all_original", {"low": eur("900.00"), "high": eur("1600.00")}),
         put("/aim", {"plan": "keep", "asking_cost": usd("4.00")})],
        ["/aim/asking_cost/currency"], base=LEAST)

wrong("value: low above high", "/value/all_original/high", eur("899.99"))
invalid("value: low above high, by digits and not by letters",
        [put("/value/all_original", {"low": eur("1000.00"), "high": eur("900.00")})], ["/value/all_original/high"])
wrong("value: low is nothing", "/value/all_original/low/amount", "0.00")
wrong("value: low is negative", "/value/all_original/low/amount", "-900.00")

# Numbers out of range.

wrong("certainty: above one", "/observations/0/certainty", 1.2)
wrong("certainty: below one half", "/observations/0/certainty", 0.3)
wrong("certainty: just below one half", "/observations/0/certainty", 0.4999)
wrong("certainty: negative", "/observations/0/certainty", -0.9)
wrong("certainty: in percent", "/observations/1/certainty", 90)
for pointer in ("/offer/buyer_fee_rate", "/offer/import_rate", "/offer/returns/honoured", "/value/selling_fee_rate"):
    wrong(f"rate: above one at {pointer}", pointer, 1.01)
    wrong(f"rate: negative at {pointer}", pointer, -0.01)
wrong("rate: enormous", "/offer/import_rate", 1e300)
wrong("sharpness: zero", "/photos/0/sharpness", 0)
wrong("sharpness: negative", "/photos/0/sharpness", -0.5)
wrong("sharpness: above one", "/photos/0/sharpness", 1.5)
wrong("pixels: negative across the dial", "/photos/0/dial_width_px", -620)
wrong("pixels: negative across the case", "/photos/1/case_width_px", -800)
wrong("pixels: negative a millimetre", "/photos/1/px_per_mm", -14.5)
for pointer in ("/watch/dial_diameter_mm", "/watch/case_diameter_mm"):
    wrong(f"diameter: zero at {pointer}", pointer, 0)
    wrong(f"diameter: negative at {pointer}", pointer, -31.0)
wrong("fineness: zero", "/value/metal/fineness", 0)
wrong("fineness: 1001", "/value/metal/fineness", 1001)
wrong("mass: negative", "/value/metal/mass_g", -11.0)
for pointer in ("/seller/feedback/positive", "/seller/feedback/negative", "/seller/outcomes/bad",
                "/seller/outcomes/total"):
    # With a total of less than the bad ones a second fault would follow.
    whole = edited(OFFERED, put("/seller/outcomes", {"bad": 0, "total": 1_000_000_000}))
    wrong(f"count: negative at {pointer}", pointer, -1, base=whole)
    wrong(f"count: fractional at {pointer}", pointer, 1.5, base=whole)
wrong("count: above a billion", "/seller/feedback/positive", 1_000_000_001)
wrong("count: beyond 64 bits", "/seller/feedback/positive", 2**64)
wrong("count: an integer of 31 digits", "/seller/feedback/positive", 10**30)
wrong("count: 1e30", "/seller/feedback/negative", 1e30)
wrong("count: total of 1e30", "/seller/outcomes/total", 1e30)
wrong("count: negative jewels", "/watch/facts/jewels", -1)
wrong("count: a jewel and a half", "/watch/facts/jewels", 21.5)
invalid("outcomes: more bad than there were", [put("/seller/outcomes", {"bad": 6, "total": 5})],
        ["/seller/outcomes/bad"])
wrong("years: reversed", "/watch/years", [1961, 1957])
wrong("years: one", "/watch/years", [1957])
wrong("years: three", "/watch/years", [1957, 1959, 1961])
wrong("years: none", "/watch/years", [])
wrong("years: fractional", "/watch/years/0", 1957.5)

# Times.

for name, time in {"a word": "yesterday", "a date alone": "2026-11-24", "no offset": "2026-11-24T21:00:00",
                   "month 13": "2026-13-01T00:00:00Z", "30 February": "2026-02-30T00:00:00Z",
                   "hour 25": "2026-11-24T25:00:00Z", "empty": "", "day first": "24.11.2026 21:00"}.items():
    wrong(f"time: {name}", "/now", time)
for pointer in ("/offer/ends_at", "/arrival/received_at", "/arrival/return_until"):
    wrong(f"time: a word at {pointer}", pointer, "soon")

# Words that are not in the list.

wrong("choice: kind of offer", "/offer/kind", "raffle")
wrong("choice: kind of return", "/offer/returns/kind", "never")
wrong("choice: stage", "/stage", "lost")
wrong("choice: interval", "/interval", "guessed")
wrong("choice: plan", "/aim/plan", "bury")
wrong("choice: answer", "/asked/0/answer", "promised")
wrong("choice: call", "/observations/0/call", "maybe")
wrong("choice: call in capitals", "/observations/0/call", "PRESENT")
wrong("choice: include", "/include/0", "everything")
wrong("choice: a later include", "/include/4", "everything")
wrong("choice: story disclosed", "/disclosed/0", "haunted")
wrong("choice: segment", "/seller/segment", "flea_circus")
wrong("choice: view of a photo", "/photos/0/view", "dial_sideways")
wrong("choice: view asked for", "/asked/0/view", "dial_sideways")

for misspelt, meant in {"dial_print_sofft": "dial_print_soft", "crown_unsined": "crown_unsigned",
                        "movement_engraving_frsh": "movement_engraving_fresh",
                        "hands-style-clash": "hands_style_clash", "bezel_gaps": "bezel_gap",
                        "listing_superlative": "listing_superlatives"}.items():
    wrong(f"sign: {misspelt}", "/observations/0/sign", misspelt, words=(meant,))
wrong("sign: unknown in a later call", "/observations/2/sign", "lume_glows_log", words=("lume_glows_long",))
wrong("sign: empty", "/observations/0/sign", "")
wrong("sign: like no other", "/observations/0/sign", "🕰 §")
wrong("sign: of 100,000 letters", "/observations/0/sign", "s" * 100_000)

# Calls that cannot stand together.

calls("calls: one sign twice", [see("crown_unsigned"), see("crown_unsigned")], ["/observations/1/sign"])
calls("calls: one sign both ways", [see("crown_unsigned"), see("crown_unsigned", "absent")],
      ["/observations/1/sign"])
calls("calls: one sign twice, far apart",
      [see("crown_unsigned"), see("hands_wrong_length"), see("bezel_metal_clash"), see("crown_unsigned")],
      ["/observations/3/sign"])
calls("calls: one sign three times", [see("crown_unsigned")] * 3, ["/observations/1/sign", "/observations/2/sign"])
for one, other in (("dial_print_soft", "dial_print_crisp"), ("dial_even_ageing", "dial_too_fresh"),
                   ("hands_too_fresh", "hands_ageing_matches"), ("case_edges_crisp", "case_edges_rounded")):
    calls(f"calls: {one} beside {other}", [see(one), see(other, "absent")], ["/observations/1/sign"])
calls("calls: a pair that excludes itself, both absent",
      [see("dial_print_soft", "absent"), see("dial_print_crisp", "absent")], ["/observations/1/sign"])
for trait, sign in {"luminous": "lume_glows_long", "gold_claimed": "case_gold_marks_missing",
                    "small_seconds": "dial_small_seconds_off_centre", "separate_bezel": "bezel_gap",
                    "bezel_insert": "bezel_insert_too_fresh", "cased_by_maker": "back_cased_by_another",
                    "papers_offered": "papers_numbers_match"}.items():
    calls(f"calls: {sign} where {trait} is false", [see(sign)], ["/observations/0/sign"],
          put(f"/watch/traits/{trait}", False))
wrong("calls: photo that is not there", "/observations/0/photo", "p9")
calls("calls: photo where there are none", [see("crown_unsigned", photo="p1")], ["/observations/0/photo"])
wrong("photos: two of one id", "/photos/1/id", "p1")

# Too many, too long.

for count in (201, 300):
    # So many signs do not exist: that some are called twice may be said as well.
    invalid(f"limit: {count} observations", [put("/observations", [see("crown_unsigned")] * count)],
            ["/observations"], base=LEAST, all_of_it=False)
invalid("limit: 51 photos",
        [put("/photos", [{"id": f"p{i}", "view": "dial_macro"} for i in range(1, 52)])], ["/photos"])
wrong("limit: id of 201 characters", "/id", "i" * 201)
wrong("limit: title of 501 characters", "/title", "t" * 501)
wrong("limit: title of 501 characters of two bytes", "/title", "é" * 501)
wrong("limit: title of 100,000 characters", "/title", "t" * 100_000)
wrong("limit: description of 20,001 characters", "/description", "d" * 20_001)
wrong("limit: url of 2,001 characters", "/url", "https://example.org/".ljust(2_001, "u"))

# Several faults at once, of shape and of meaning.

several("several: a misspelt member and a negative price",
        [put("/offer/prise", 1), put("/offer/price/amount", "-5.00")],
        ["/offer/prise", "/offer/price/amount"])
several("several: both faults in one call",
        [cut("/observations/0/call"), put("/observations/0/sign", "crown_unsined")],
        ["/observations/0/call", "/observations/0/sign"])
several("several: no observations, and more",
        [cut("/observations"), put("/seller", []), put("/watch/years", [1961, 1957]), put("/now", "soon")],
        ["/observations", "/seller", "/watch/years", "/now"])
several("several: five calls, five faults",
        [put("/observations", [
            see("crown_unsigned", certainty=1.2),
            see("crown_unsigned"),
            see("dial_print_soft", "maybe"),
            see("hands_wrong_length", photo="p9"),
            {"sign": "bezel_metal_clash"},
        ])],
        ["/observations/0/certainty", "/observations/1/sign", "/observations/2/call", "/observations/3/photo",
         "/observations/4/call"])
several("several: a call of the wrong type, and a pair that excludes itself",
        [put("/observations", [see("dial_print_soft"), "crown_unsigned", see("dial_print_crisp")]),
         put("/include/1", "everything"), put("/title", 5)],
        ["/observations/1", "/observations/2/sign", "/include/1", "/title"])
several("several: a trait stated false, a trait of the wrong type and a trait nobody knows",
        [put("/watch/traits", {"luminous": False, "small_seconds": "yes", "shiny": True})],
        ["/observations/3/sign", "/watch/traits/small_seconds", "/watch/traits/shiny"])
several("several: all about money",
        [put("/offer/shipping/amount", "12,50"), cut("/offer/fixed_costs/currency"), put("/offer/buyer_fee_rate", 2),
         put("/offer/returns/honoured", "mostly"), put("/value/all_original/high", eur("1.00")),
         put("/value/metal/fineness", 1001), put("/aim/asking_cost/currency", "USD")],
        ["/offer/shipping/amount", "/offer/fixed_costs/currency", "/offer/buyer_fee_rate", "/offer/returns/honoured",
         "/value/all_original/high", "/value/metal/fineness", "/aim/asking_cost/currency"])
several("several: eight, all over the body",
        [put("/offer/prise", 1), put("/offer/fixed_costs/amount", "-1.00"), put("/observations/1/certainty", 0.3),
         put("/observations/2/sign", "movement_coherrent"), put("/watch/years", [1961, 1957]),
         put("/photos/1/view", "dial_sideways"), put("/seller/feedback/positive", "many"),
         put("/include/0", "everything")],
        ["/offer/prise", "/offer/fixed_costs/amount", "/observations/1/certainty", "/observations/2/sign",
         "/watch/years", "/photos/1/view", "/seller/feedback/positive", "/include/0"])
several("several: eight after arrival",
        [put("/arrival/paid/amount", 640), put("/arrival/received_at", "Friday"), put("/arrival/by~1with", "post"),
         put("/photos/1/id", "p1"), put("/seller/outcomes/bad", 6), put("/disclosed/0", "haunted"),
         put("/stage", "lost"), put("/watch/dial_diameter_mm", 0)],
        ["/arrival/paid/amount", "/arrival/received_at", "/arrival/by~1with", "/photos/1/id",
         "/seller/outcomes/bad", "/disclosed/0", "/stage", "/watch/dial_diameter_mm"], base=RECEIVED)
several("several: twelve, some in one object",
        [put("/id", "i" * 201), put("/url", 5), put("/seller/segment", "flea_circus"), put("/seller/stored", "yes"),
         put("/seller/outcomes/total", 1.5), put("/photos/0/sharpness", 0), put("/photos/0/view", []),
         put("/asked/0/answer", "promised"), cut("/asked/0/view"), put("/aim/plan", {}),
         put("/observations/3/call", 1), put("/observations/0/photo", "p9")],
        ["/id", "/url", "/seller/segment", "/seller/stored", "/seller/outcomes/total", "/photos/0/sharpness",
         "/photos/0/view", "/asked/0/answer", "/asked/0/view", "/aim/plan", "/observations/3/call",
         "/observations/0/photo"])

# And the service is none the worse for it.

case("afterwards: healthy", None, path="/healthz", method="GET", headers={})
good("afterwards: a good body")


# --- Sending and reading ------------------------------------------------------------------


@dataclass
class Answer:
    status: int
    headers: http.client.HTTPMessage
    body: bytes


def pieces(case, host):
    """The request as bytes, in pieces, so that an early answer can stop the sending."""
    headers = {"Host": host, **case.headers}
    if case.send == "chunked":
        headers["Transfer-Encoding"] = "chunked"
    elif case.send == "promised":
        headers["Content-Length"] = str(1024**3)
    elif case.body is not None:
        headers["Content-Length"] = str(len(case.body))
    lines = [f"{case.method} {case.path} HTTP/1.1", *(f"{k}: {v}" for k, v in headers.items()), "", ""]
    yield "\r\n".join(lines).encode()
    step = 32 * 1024
    for start in range(0, len(case.body or b""), step):
        part = case.body[start : start + step]
        yield b"%x\r\n%s\r\n" % (len(part), part) if case.send == "chunked" else part
    if case.send == "chunked":
        yield b"0\r\n\r\n"


def ask(case, address, host):
    """Sends one request on a connection of its own; raises OSError or HTTPException if that fails."""
    with socket.create_connection(address, timeout=TIMEOUT) as sock:
        try:
            for piece in pieces(case, host):
                if select.select([sock], [], [], 0)[0]:
                    break  # answered before it was all said, as a 413 may be
                sock.sendall(piece)
        except (BrokenPipeError, ConnectionResetError):
            pass  # the answer may still be there to read; if not, reading says so
        response = http.client.HTTPResponse(sock, method=case.method)
        response.begin()
        return Answer(response.status, response.headers, response.read())


def well_formed(pointer):
    """RFC 6901: empty, or tokens that each begin with a slash; a tilde only in ~0 and ~1."""
    rest = pointer.replace("~0", "").replace("~1", "")
    return "~" not in rest and (pointer == "" or pointer.startswith("/"))


def check_good(case, answer):
    if case.path != ASSESS:
        return
    try:
        bad = json.loads(answer.body)["probability"]["bad"]
    except (ValueError, KeyError, TypeError):
        yield "no probability in the answer"
    else:
        if not (isinstance(bad, (int, float)) and 0 <= bad <= 1):
            yield f"probability {bad!r}"


def entries(problem):
    """The entries of `errors`; anything else in it is left to check_problem."""
    errors = problem.get("errors") if isinstance(problem, dict) else None
    return [e for e in errors if isinstance(e, dict)] if isinstance(errors, list) else []


def check_problem(case, answer, problem):
    if answer.headers.get_content_type() != "application/problem+json":
        yield f"content type {answer.headers.get('Content-Type')}"
    if not isinstance(problem, dict):
        yield "the body is no JSON object"
        return
    if problem.get("status") != answer.status:
        yield f"status member {problem.get('status')!r}"
    if not str(problem.get("type")).endswith(f"/problems/{case.problem}"):
        yield f"type {problem.get('type')!r}, not {case.problem}"
    for member in ("title", "detail"):
        if not (isinstance(problem.get(member), str) and problem[member]):
            yield f"no {member}"
    for trace in (b"panicked", b".rs:", b"serde", b"axum", b"hyper"):
        if trace in answer.body:
            yield f"shows its insides: {trace.decode()}"
    if case.allow and case.allow not in [m.strip() for m in answer.headers.get("Allow", "").split(",")]:
        yield f"Allow {answer.headers.get('Allow')!r}"

    errors = problem.get("errors")
    if errors is not None and not (isinstance(errors, list) and all(
        isinstance(e, dict) and isinstance(e.get("pointer"), str) and isinstance(e.get("detail"), str) and e["detail"]
        for e in errors
    )):
        yield "errors are not a list of pointer and detail"
        return
    if not all(well_formed(e["pointer"]) for e in entries(problem)):
        yield "a pointer that is none"
    if case.pointers is None:
        return
    named = {e["pointer"] for e in entries(problem)}
    for pointer in sorted(case.pointers - named):
        yield f"does not name {pointer!r}"
    if case.all_of_it:
        for pointer in sorted(named - case.pointers):
            yield f"names {pointer!r}"
    if case.problem == "malformed" and len(entries(problem)) != 1:
        yield f"{len(entries(problem))} errors, not one"
    details = [e["detail"] for e in entries(problem) if e["pointer"] in case.pointers]
    said = " ".join([str(problem.get("detail")), *details])
    for word in case.words:
        if word not in said:
            yield f"does not offer {word}"


def judge(case, answer):
    """What was seen, and what is wrong with it."""
    faults = []
    if answer.status != case.status:
        faults.append(f"status {answer.status}, not {case.status}")
    if case.status == 200:
        if answer.status == 200:
            faults += check_good(case, answer)
        else:
            faults.append(answer.body[:300].decode("utf-8", "replace"))
        return "", faults
    try:
        problem = json.loads(answer.body)
    except ValueError:
        problem = None
    if answer.status >= 400:
        faults += check_problem(case, answer, problem)
    return " ".join(json.dumps(e.get("pointer"), ensure_ascii=False) for e in entries(problem)), faults


def short(text, most=200):
    return text if len(text) <= most else text[:most] + "…"


def main():
    if len(sys.argv) != 2 or sys.argv[1].startswith("-"):
        print("usage: bad_bodies.py BASE_URL", file=sys.stderr)
        return 2
    base = urlsplit(sys.argv[1])
    if base.scheme != "http" or not base.hostname:
        print("bad_bodies.py: BASE_URL is http://HOST[:PORT]", file=sys.stderr)
        return 2
    address = (base.hostname, base.port or 80)
    sys.stdout.reconfigure(errors="backslashreplace")  # some cases are named in odd letters

    assert len({c.name for c in CASES}) == len(CASES), "two cases of one name"
    failed = 0
    for case in CASES:
        try:
            answer = ask(case, address, base.netloc)
            status = answer.status
            seen, faults = judge(case, answer)
        except (OSError, http.client.HTTPException) as error:
            status, seen, faults = "---", "", [f"no answer: {type(error).__name__} {error}"]
        failed += bool(faults)
        line = f"{'FAIL' if faults else 'ok  '} {case.name}: {status} {short(seen)}".rstrip()
        print(line if not faults else f"{line}\n       {short('; '.join(faults), 600)}", flush=True)
    print(f"{len(CASES) - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
