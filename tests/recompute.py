"""Recomputes assessments from GET /v1/model alone and compares them with what the service answers.

Usage: recompute.py [--without-shares] BASE_URL FILE_OR_DIR...

Each JSON file holds an assess request, alone or under the key `request`. Shares no code with the service: numpy.einsum
contracts the tables, integrals and roots are done the plain way. Section numbers are those of the model's description.
Exits 1 when a figure is off, when an answer lacks a field that the request should yield, and when nothing was compared.
--without-shares accepts answers without any `share_db`; those that are there are compared all the same.
"""
import functools
import json
import math
import statistics
import sys
from collections import namedtuple
from dataclasses import dataclass
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from pathlib import Path
from urllib import error
from urllib import request as http

import numpy as np

DB, NORMAL = 10 / math.log(10), statistics.NormalDist()
AVOIDS = "seller_avoids_photo"  # the sign that the request's `asked` calls by itself
MELTED = {"case", "bezel", "case_back"}
DIGITS = {"JPY": 0, "KRW": 0, "ISK": 0, "CLP": 0, "VND": 0, "BHD": 3, "JOD": 3, "KWD": 3, "OMR": 3, "TND": 3}  # else 2
TOLERANCE = {"stories": 1e-9, "components": 1e-9, "probability": 1e-9, "log_odds_db": 1e-6, "alone_db": 1e-6,
             "share_db": 1e-6, "resolvable": 1e-9, "bits": 1e-9, "money": 1, "loss": 1e-6, "exact": 0}  # money in minor units

def dig(tree, *keys, default=None):
    for key in keys:
        tree = tree.get(key) if isinstance(tree, dict) else None
    return default if tree is None else tree

def money(tree):
    return None if tree is None else float(Decimal(tree["amount"]))

class Model:  # Section 1: the tables of GET /v1/model as arrays. Axis 0 is the story, axis 1 + k is component k
    def __init__(self, raw):
        self.raw = raw
        self.stories = [s["id"] for s in raw["stories"]]
        self.bad = np.array([s["bad"] for s in raw["stories"]])
        self.intercept, self.slope = (raw["recalibration"][k] for k in ("intercept", "slope"))
        self.signs = {s["id"]: s for s in raw["signs"]}
        components = {c["id"]: c for c in raw["components"]}
        self.states = {c: [s["id"] for s in v["states"]] for c, v in components.items()}
        self.public = {c: [s["as"] for s in v["states"]] for c, v in components.items()}
        self.axis = {k: i for i, k in enumerate(["story", *components])}
        self.tables = [self.table(k, c["mean"], c["parents"] + [k]) for k, c in components.items()]
        self.present = {j: self.table(j, s["present"]["mean"], s["on"]) for j, s in self.signs.items()}
        for table, axes in self.tables:
            assert np.allclose(table.sum(-1), 1, 0, 1e-9), f"axes {axes}: rows do not add up to 1"

    def table(self, name, mean, variables):
        array, size = np.array(mean, float), {k: len(v) for k, v in ({"story": self.stories} | self.states).items()}
        assert array.shape == tuple(size[v] for v in variables), f"{name}: table of the wrong shape"
        assert ((array > 0) & (array < 1)).all(), f"{name}: a probability of 0 or 1"
        return array, tuple(self.axis[v] for v in variables)

    def by_story(self, figures):
        return np.array([figures[h] for h in self.stories], float)

    def by_state(self, component, figures):  # A figure per fine state, as a factor over the component's axis
        return np.array([figures[s] for s in self.states[component]], float), (self.axis[component],)

def contract(factors, out):
    """Sums the product of all factors (arrays with their axes) over every variable but those of `out`."""
    merged = {}
    for array, axes in factors:  # factors over the same variables are multiplied first: fewer operands, same sum
        merged[axes] = merged[axes] * array if axes in merged else array
    operands = [x for axes, array in merged.items() for x in (array, list(axes))]
    return np.einsum(*operands, list(out), optimize=("greedy", 2**27))

# Section 2: from a call to a likelihood
# origin: "observed" or "derived"; resolvable: D, None with a certainty; likelihood: lambda_j over the parents' axes
Call = namedtuple("Call", "sign call origin resolvable likelihood axes")

def chance_resolved(feature_mm, px_per_mm, sharpness, n50):  # D = x^E / (1 + x^E)
    x = feature_mm * px_per_mm * sharpness / 2 / n50
    return 1 / (1 + math.exp(min(700.0, -(2.7 + 0.7 * x) * math.log(x)))) if x > 0 else 0.0

def px_per_mm(photo, watch, defaults):  # The photo's own scale, else the dial's, else the case's
    scales = [photo.get("px_per_mm")] + [
        photo[f"{part}_width_px"] / dig(watch, f"{part}_diameter_mm", default=defaults[f"{part}_diameter_mm"])
        for part in ("dial", "case") if photo.get(f"{part}_width_px") is not None]
    return next((s for s in scales if s is not None), None)

def read_call(model, request, observation, origin, reading_class=None):  # se, fa and lambda_j(state) of one call
    sign, watch = model.signs[observation["sign"]], dig(request, "watch", default={})
    rates = model.raw["readings"][reading_class or sign["reading"]] | (sign.get("reading_override") or {})
    if (c := observation.get("certainty")) is not None:
        d, se, fa = None, c, 1 - c
    else:
        photo = next((p for p in request.get("photos") or [] if p.get("id") == observation.get("photo")), {})
        scale, feature, d = px_per_mm(photo, watch, model.raw["defaults"]), sign.get("feature_mm"), 1.0
        if not observation.get("in_hand") and scale is not None and feature is not None:
            d = chance_resolved(feature, scale, dig(photo, "sharpness", default=1.0), rates["n50_cycles"])
        se, fa = (d * rates[rate] + (1 - d) * rates["g"] for rate in ("a", "b"))
    if observation["call"] == "absent":
        se, fa = 1 - se, 1 - fa
    present, axes = model.present[sign["id"]]
    keep_shut = dig(watch, "traits", "luminous") is True and (watch.get("years") or [0])[0] < 1970
    if keep_shut and sign.get("neutral_when") == "keep_shut":
        se = fa = 1.0
    return Call(sign["id"], observation["call"], origin, d, se * present + fa * (1 - present), axes)

def gather_calls(model, request, answer):
    """All calls that count, and the derived ones that an explicit call outranks (shown, without weight). Which calls
    follow from facts (section 9) is no part of the model: the answer's rows are taken over where facts are stated."""
    calls, outranked = [read_call(model, request, o, "observed") for o in request["observations"]], []
    taken, answers = {c.sign for c in calls}, {a["answer"] for a in request.get("asked") or []}
    avoided = "present" if answers & {"refused", "dodged"} else "absent" if "given" in answers else None
    derived = [({"sign": AVOIDS, "call": avoided}, None)] if avoided else []
    if dig(request, "watch", "facts") or request.get("accept_proposals"):
        rows = [r for r in answer.get("evidence") or [] if r.get("from") == "derived"]
        taken |= {r["sign"] for r in rows if r.get("overruled_by")}
        derived += [(r, "plain") for r in rows if r["sign"] != AVOIDS]
    for row, reading_class in derived:
        call = read_call(model, request, {k: row[k] for k in ("sign", "call")}, "derived", reading_class)
        (outranked if call.sign in taken else calls).append(call)
        taken.add(call.sign)
    return calls, outranked

# Section 3: prior
def prior_bad(model, seller, segment):
    """E[theta | outcome totals, feedback], by the trapezoid rule in logit(theta), in log space"""
    bad, total = (dig(seller, "outcomes", k, default=0) for k in ("bad", "total"))
    k, positive = (dig(seller, "feedback", s, default=0) for s in ("negative", "positive"))
    a, b, fb = segment["a"] + bad, segment["b"] + total - bad, model.raw["feedback"]
    power = min(fb["power"], fb["most_cases"] / (k + positive)) if k + positive else 0.0

    def log_density(u):
        log_theta, log_rest = -np.logaddexp(0, -u), -np.logaddexp(0, u)
        complaint = fb["baseline"] + fb["complains"] * fb["concerned"] * np.exp(log_theta)
        return a * log_theta + b * log_rest + power * (k * np.log(complaint) + positive * np.log1p(-complaint))

    u, step = np.linspace(-600 / a - 30, 600 / b + 30, 1_000_001, retstep=True)
    log = log_density(u)
    inside = u[log > log.max() - 50]
    u = np.linspace(inside[0] - step, inside[-1] + step, 100_001)
    log = log_density(u)
    weight = np.exp(log - log.max())
    return float(weight @ np.exp(-np.logaddexp(0, -u)) / weight.sum())

# Section 4: inference
def all_original(value):  # m and sigma of v0 (section 5)
    low, high = (money(value["all_original"][k]) for k in ("low", "high"))
    return math.sqrt(low * high), math.log(high / low) / (2 * NORMAL.inv_cdf(0.9))

def price_likelihood(model, request):
    """Density of ln(ask / m), Student t with a location per story; None where the price is no evidence."""
    ask, value = money(dig(request, "offer", "price")), dig(request, "value")
    if not ask or not value or dig(request, "offer", "kind", default="fixed") not in ("fixed", "negotiable"):
        return None
    pe = model.raw["price_evidence"]
    nu, scale, (median, _) = pe["nu"], pe["scale"], all_original(value)
    z = (math.log(ask / median) - model.by_story(pe["location"])) / scale
    log_norm = math.lgamma((nu + 1) / 2) - math.lgamma(nu / 2) - 0.5 * math.log(nu * math.pi) - math.log(scale)
    return np.exp(log_norm - (nu + 1) / 2 * np.log1p(z**2 / nu))

class Posterior:  # What follows from the evidence: P(H|e), P(C|H,e), expectations, weights
    def __init__(self, model, request, calls):
        self.model, self.calls, price = model, calls, price_likelihood(model, request)
        seller = dig(request, "seller", default={})
        segment = next(s for s in model.raw["segments"] if seller.get("segment") in (None, s["id"]))
        self.prior_bad = prior_bad(model, seller, segment)
        split = model.by_story(segment["bad"] | segment["sound"])
        self.prior = np.where(model.bad, self.prior_bad, 1 - self.prior_bad) * split
        self.evidence = [(c.likelihood, c.axes) for c in calls] + ([] if price is None else [(price, (0,))])
        self.joint, self.stories = self.given(self.evidence), np.zeros(len(model.stories))
        self.log_odds = self.log_odds_bad(self.joint)
        self.recalibrated = model.intercept + model.slope * self.log_odds
        for side, sign in ((model.bad, 1), (~model.bad, -1)):  # section 8: shares within bad and within sound stay
            self.stories[side] = self.joint[side] / self.joint[side].sum() / (1 + math.exp(-sign * self.recalibrated))

    def given(self, evidence, out=(0,)):  # P(out, evidence), `out` beginning with the story
        return contract(self.model.tables + [(self.prior, (0,))] + evidence, out)

    def log_odds_bad(self, joint):
        return math.log(joint[self.model.bad].sum() / joint[~self.model.bad].sum())

    def states(self, component):  # P(C_k | h, e), stories by fine states
        return self.given(self.evidence, (0, self.model.axis[component])) / self.joint[:, None]

    def expected_product(self, figures):  # E[product over components of figures[k][C_k] | h, e]
        return self.given(self.evidence + [self.model.by_state(k, f) for k, f in figures.items()]) / self.joint

    def alone_db(self, i):  # Section 7: all evidence against all but call i
        return DB * (self.log_odds - self.log_odds_bad(self.given(self.evidence[:i] + self.evidence[i + 1:])))

    def share_db(self, nodes=48):
        """Section 7: every likelihood to the power t, integrated over t; a share for each piece of evidence"""
        shares, bad = np.zeros(len(self.evidence)), self.model.bad
        for x, w in zip(*np.polynomial.legendre.leggauss(nodes)):
            tempered, joints = [(likelihood ** ((1 + x) / 2), axes) for likelihood, axes in self.evidence], {}
            for j, (likelihood, axes) in enumerate(self.evidence):
                out = axes if axes == (0,) else (0, *axes)
                if out not in joints:
                    joints[out] = self.given(tempered, out)
                log = np.broadcast_to(np.log(likelihood), joints[out].shape)
                of_bad, of_sound = (np.average(log[side], weights=joints[out][side]) for side in (bad, ~bad))
                shares[j] += DB * w / 2 * (of_bad - of_sound)
        return shares

# Section 5: money
@dataclass
class Use:  # What a watch is worth in one use: a lognormal (its mean and log-spread) plus a constant
    name: str
    spread_mean: float
    s: float
    constant: float
    repairs: tuple = ()

    def mean(self):
        return self.spread_mean + self.constant

    def at_most(self, v):  # P(V <= v)
        v -= self.constant
        if not self.s or not self.spread_mean:
            return float(v >= self.spread_mean)
        return NORMAL.cdf(math.log(v / self.spread_mean) / self.s + self.s / 2) if v > 0 else 0.0

    def excess(self, x):  # E[(V - x)+]
        x -= self.constant
        if x <= 0 or not self.s or not self.spread_mean:
            return max(self.spread_mean - x, 0.0)
        d = math.log(self.spread_mean / x) / self.s
        return self.spread_mean * NORMAL.cdf(d + self.s / 2) - x * NORMAL.cdf(d - self.s / 2)

def best_uses(post, request):  # Per story the use with the highest expected value
    model, pack, value = post.model, post.model.raw["value"], request["value"]
    m, sigma = all_original(value)
    fee = 0.0 if dig(request, "aim", "plan") == "keep" else dig(value, "selling_fee_rate", default=0.0)
    gold = dig(request, "watch", "traits", "gold_claimed") is True
    cost = {k: r["cost"] * m * (1 - post.states(k) @ [s == "original" for s in model.public[k]])
            for k, r in pack["repairs"].items()}
    salvage = {k: post.states(k) @ model.by_state(k, f)[0] for k, f in pack["salvage"].items()}

    @functools.cache
    def moments(parts):  # E1 and E2 of all stories, with v_k raised to at least `value_after` for the parts replaced
        floor = {k: pack["repairs"][k]["value_after"] for k in parts}
        v = {k: {s: max(x, floor.get(k, 0.0)) for s, x in figures.items()}
             for k, figures in pack["by_state"].items() if gold or k != "metal"}
        squared = {k: {s: x * x for s, x in figures.items()} for k, figures in v.items()}
        return post.expected_product(v), post.expected_product(squared)

    def sold(i, parts=()):  # Sold as a watch: as it is, or restored with these parts replaced
        story, (e1, e2) = pack["by_story"][model.stories[i]], (e[i] for e in moments(parts))
        mean = m * math.exp(sigma**2 / 2) * story["factor"] * e1 * (1 - fee)
        s2 = max(0.0, math.log(e2 / e1**2)) + sigma**2 + story["log_sd"]**2
        return Use("restored" if parts else "as_is", mean, math.sqrt(s2), -sum(cost[k][i] for k in parts), parts)

    def repaired(i):  # Greedy: parts are added while the best of them gains more mean value than it costs
        best, better = None, sold(i)
        while best is None or better.mean() > best.mean():
            best, done = better, better.repairs
            more = [sold(i, tuple(sorted((*done, k)))) for k in pack["repairs"] if k not in done]
            better = max(more or [best], key=Use.mean)  # the first of equals, in the pack's order
        return best

    def parted(i, kept, constant=0.0):
        median = m * (1 - fee) * pack["parting_yield"] * sum(salvage[k][i] for k in kept)
        s2 = sigma**2 + pack["parting_log_sd"]**2
        return Use("parted_out", median * math.exp(s2 / 2), math.sqrt(s2), constant)

    chosen = {}
    for i, h in enumerate(model.stories):
        uses = ([repaired(i)] if pack["by_story"][h]["factor"] is not None else []) + [parted(i, salvage)]
        if gold and (metal := value.get("metal")):
            genuine = post.states("metal")[i, model.states["metal"].index("as_claimed")]
            melt = pack["metal_yield"] * metal["fineness"] / 1000 * metal["mass_g"] * money(metal["price_per_g"])
            uses.append(parted(i, [k for k in salvage if k not in MELTED], melt * genuine))
        chosen[h] = max(uses, key=Use.mean)  # the first of equals
    return chosen

class Deal:  # The net of buying at a price p, each story put to its best use
    def __init__(self, post, request):
        self.chance, self.uses = dict(zip(post.model.stories, post.stories)), best_uses(post, request)
        self.offer = dig(request, "offer", default={})
        self.margin = dig(request, "aim", "required_margin", default=0.0)
        low, high = (money(dig(request, "value", "all_original", end)) for end in ("low", "high"))
        stated = money(dig(request, "aim", "asking_cost"))
        share = post.model.raw["defaults"]["asking_cost_share"]
        self.asking_cost = share * math.sqrt(low * high) if stated is None else stated
        honoured, kind = (dig(self.offer, "returns", k) for k in ("honoured", "kind"))
        disclosed = request.get("disclosed") or [] if kind in (None, "not_as_described") else []
        self.returned = {h: 0.0 if h in disclosed else s["noticed_on_arrival"] * (honoured or 0.0)
                         for h, s in post.model.raw["value"]["by_story"].items()}  # delta_h * rho

    def landed_cost(self, p):
        shipping, fixed = (money(self.offer.get(k)) or 0.0 for k in ("shipping", "fixed_costs"))
        buyer_fee, duty = (self.offer.get(k) or 0.0 for k in ("buyer_fee_rate", "import_rate"))
        return (p * (1 + buyer_fee) + shipping) * (1 + duty) + fixed

    def return_cost(self, p):
        return self.landed_cost(p) - p + (money(dig(self.offer, "returns", "cost")) or 0.0)

    def net(self, h, p):  # n_h(p)
        use, k, r, w = self.uses[h], self.landed_cost(p), self.return_cost(p), self.returned[h]
        return w * (use.excess(k - r) - r) + (1 - w) * (use.mean() - k)

    def expected_net(self, p):
        return sum(q * self.net(h, p) for h, q in self.chance.items())

    def walk_away_price(self):
        def buy(p):
            return self.expected_net(p) >= self.margin * self.landed_cost(p)
        return -bisect(lambda x: buy(-x), -1.0, 0.0) if buy(0.0) else 0.0

    def distribution(self, p, x):  # F(x) = P(net <= x), the mixture over stories and over keeping or returning
        k, r = self.landed_cost(p), self.return_cost(p)
        kept = {h: 1 - w + w * (x >= -r) for h, w in self.returned.items()}
        return sum(q * kept[h] * self.uses[h].at_most(x + k) for h, q in self.chance.items())

    def probability_of_loss(self, p):  # P(net < 0): F just below zero
        return self.distribution(p, math.nextafter(0.0, -1.0))

    def net_quantile(self, p, level):  # the smallest x with F(x) >= level
        return bisect(lambda x: self.distribution(p, x) >= level, -1.0, 1.0)

def bisect(reached, low, high):
    """The smallest x at which `reached` holds; it holds from some x on. The bracket grows at need."""
    while reached(low) or not reached(high):
        low, high = 2 * low if reached(low) else low, 2 * high if not reached(high) else high
        assert abs(low) < 1e18 and abs(high) < 1e18, "no bracket"
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high

# Section 6: which signs to judge next on what is at hand
def mutual_information(joint):  # sum of p(x, y) log2(p(x, y) / (p(x) p(y))): Cover and Thomas 2006, eq. 2.28
    apart = joint.sum(0, keepdims=True) * joint.sum(1, keepdims=True)
    return float((joint[joint > 0] * np.log2(joint[joint > 0] / apart[joint > 0])).sum())

def expected_looks(model, request, post, calls, nets):
    watch, defaults = dig(request, "watch", default={}), model.raw["defaults"]
    shows = {model.signs[o["sign"]].get("applies_if") for o in request["observations"] if o["call"] == "present"}
    stated = {t for t, yes in dig(watch, "traits", default={}).items() if yes is True} | (shows & {"luminous"})
    keep_shut = "luminous" in stated and (watch.get("years") or [0])[0] < 1970
    scales = {}  # of each view the best photo's, the photo's own sharpness counted in; unknown sizes resolve everything
    for photo in request.get("photos") or []:
        scale = px_per_mm(photo, watch, defaults)
        known = math.inf if scale is None else scale * dig(photo, "sharpness", default=1.0)
        scales[photo.get("view")] = max(known, scales.get(photo.get("view"), 0.0))
    excludes = lambda j, k: k in (model.signs[j].get("excludes") or []) or j in (model.signs[k].get("excludes") or [])
    looks, called = [], {c.sign for c in calls}
    for j, sign in model.signs.items():
        if j in called or j == AVOIDS or any(excludes(j, c) for c in called):
            continue
        if sign.get("applies_if") not in (None, *stated) or keep_shut and sign.get("neutral_when") == "keep_shut":
            continue
        rates = model.raw["readings"][sign["reading"]] | (sign.get("reading_override") or {})
        feature, sets = sign.get("feature_mm"), []
        for need in sign["needs"]:
            seen = [scales.get(view) for view in need if view != "listing"]
            if None not in seen:
                sets.append(min([1.0] + [1.0 if feature is None or math.isinf(s) else
                                         chance_resolved(feature, s, 1.0, rates["n50_cycles"]) for s in seen]))
        if not sets:
            continue
        d = max(sets)
        se, fa = (d * rates[rate] + (1 - d) * rates["g"] for rate in ("a", "b"))
        present, axes = model.present[j]
        given = post.given(post.evidence + [(fa + (se - fa) * present, axes)]) / post.joint
        joint = np.array([given, 1 - given]) * post.stories
        sides = np.array([joint[:, model.bad].sum(1), joint[:, ~model.bad].sum(1)]).T
        worth = None
        if nets is not None:
            worth = np.maximum(joint @ nets, 0).sum() - max(post.stories @ nets, 0.0)
            worth = worth if worth > 1e-12 * (post.stories @ abs(nets)) else 0.0
        looks.append((j, worth, mutual_information(sides), mutual_information(joint), d))
    looks.sort(key=lambda look: (-(look[1] or 0.0), -look[2]))
    best = []
    for look in looks:
        if not any(excludes(look[0], b[0]) for b in best):
            best.append(look)
    return {j: {"worth": ("exact", None) if worth is None else ("money", worth), "bits_bad": ("bits", bad),
                "bits": ("bits", bits), "resolvable": ("resolvable", d)} for j, worth, bad, bits, d in best[:3]}

# The whole answer, and comparing. A leaf is (kind, figure): a kind of TOLERANCE, "money_down" or "absent".
def leaves(kind, figures):
    return {k: (kind, x) for k, x in figures.items()}

def expected_answer(model, request, answer, shares_required):
    parts = dig(request, "include", default=["components", "shares", "decision", "look_next"])
    calls, outranked = gather_calls(model, request, answer)
    post = Posterior(model, request, calls)
    stories, prior = dict(zip(model.stories, post.stories)), math.log(post.prior_bad / (1 - post.prior_bad))
    ours = {"model": leaves("exact", {k: model.raw[k] for k in ("version", "digest") if k in model.raw}),
            "stories": leaves("stories", stories), "components": ("absent", None), "decision": ("absent", None),
            "probability": leaves("probability", {"bad": post.stories[model.bad].sum(), "prior_bad": post.prior_bad,
                                                  "not_original": 1 - stories["original"]}),
            "log_odds_db": leaves("log_odds_db", {"prior": DB * prior, "posterior": DB * post.recalibrated,
                                                  "recalibration": DB * (post.recalibrated - post.log_odds)})}
    if "components" in parts:
        ours["components"] = {k: expected_component(post, k) for k in model.states}
    theirs = answer.get("evidence") or []
    ours["evidence"] = {f"{c.origin} {c.sign}": {
        "call": ("exact", c.call), "alone_db": ("alone_db", post.alone_db(i)), "share_db": ("absent", None),
        "resolvable": ("exact" if c.resolvable is None else "resolvable", c.resolvable)} for i, c in enumerate(calls)}
    if "shares" in parts and (shares_required or any(r.get("share_db") is not None for r in theirs)):
        shares = post.share_db()
        assert abs(DB * (post.log_odds - prior) - shares.sum()) < 1e-7, "our own shares do not add up"
        for row, share in zip(ours["evidence"].values(), shares):
            row["share_db"] = ("share_db", share)
        ours["log_odds_db"]["price"] = ("share_db", shares[len(calls):].sum())
    shown = {r.get("sign") for r in theirs if r.get("from") == "derived"}
    ours["evidence"] |= {f"derived {c.sign}": {"call": ("exact", c.call)} for c in outranked if c.sign in shown}
    ask, deal = money(dig(request, "offer", "price")), Deal(post, request) if request.get("value") else None
    if deal and "decision" in parts:
        ours["decision"] = expected_decision(deal, ask)
    if request.get("stage") != "received" and "look_next" in parts:
        nets = None
        if deal and ask is not None:
            margin = deal.margin * deal.landed_cost(ask)
            nets = np.array([deal.net(h, ask) - margin for h in model.stories])
        ours["look_next"] = expected_looks(model, request, post, calls, nets)
    return ours, sum(c.origin == "derived" and c.sign != AVOIDS for c in calls)

def expected_component(post, k):  # The five public states; the metal its own two
    names = post.model.states[k] if k == "metal" else post.model.public[k]
    public, mixed = [s["id"] for s in post.model.raw["states"]], post.stories @ post.states(k)
    return leaves("components", {s: mixed @ [n == s for n in names] for s in (names if k == "metal" else public)})

def expected_decision(deal, ask):  # without a price, what does not depend on it
    def priced(kind, figure):
        return ("absent", None) if ask is None else (kind, figure(ask))
    quantiles = {f"p{q:02}": priced("money", lambda p, q=q: deal.net_quantile(p, q / 100)) for q in (5, 50, 95)}
    return {"walk_away_price": ("money_down", deal.walk_away_price()), "required_margin": ("exact", deal.margin),
            "asking_cost": ("money", deal.asking_cost),
            "expected_net": priced("money", deal.expected_net), "landed_cost": priced("money", deal.landed_cost),
            "probability_of_loss": priced("loss", deal.probability_of_loss), "net_quantiles": quantiles,
            "by_story": {h: {"value": ("money", use.mean()), "best_use": ("exact", use.name),
                             "repairs": ("exact", sorted(use.repairs)),
                             "net": priced("money", lambda p, h=h: deal.net(h, p))}
                         for h, use in deal.uses.items()}}

def difference(kind, ours, theirs, currency):  # How far apart two leaves are; infinity for a missing or unusable one
    try:
        if kind in ("absent", "exact"):
            none = kind == "absent" and theirs in ({}, [])
            return 0 if none or (sorted(theirs or []) if isinstance(ours, list) else theirs) == ours else math.inf
        if kind.startswith("money"):
            unit = Decimal(1).scaleb(-DIGITS.get(currency, 2))
            rounded = Decimal(float(ours)).quantize(unit, ROUND_FLOOR if kind == "money_down" else ROUND_HALF_EVEN)
            off = float(abs(rounded - Decimal(theirs["amount"])) / unit)
            return off if theirs["currency"] == currency else math.inf
        return abs(ours - theirs)
    except (TypeError, KeyError, ArithmeticError):
        return math.inf

def compare(ours, theirs, currency, worst, misses, path=()):
    """Walks both answers. The service may add fields, but not stories, components, states or evidence."""
    if isinstance(ours, dict):
        theirs = theirs if isinstance(theirs, dict) else {}
        closed = path[:1] in (("stories",), ("components",)) or path in (("evidence",), ("look_next",))
        for k in ours | theirs if closed else ours:
            compare(ours.get(k, ("absent", None)), theirs.get(k), currency, worst, misses, path + (k,))
        return
    kind, figure = ours
    off, kind = difference(kind, figure, theirs, currency), {"money_down": "money", "absent": "exact"}.get(kind, kind)
    worst[kind] = max(worst.get(kind, 0), off if off == off else math.inf)
    if not off <= TOLERANCE[kind]:
        shown = float(figure) if isinstance(figure, float) else figure
        misses.append(f"{'.'.join(path)}: ours {shown!r}, theirs {theirs!r}")

def check(model, request, answer, shares_required):  # largest differences, misses, number of calls taken over
    ours, adopted = expected_answer(model, request, answer, shares_required)
    rows, odds, worst = answer.get("evidence") or [], dig(answer, "log_odds_db", default={}), {}
    keyed = {f"{r.get('from')} {r.get('sign')}": r for r in rows}
    misses = [f"evidence: {len(rows)} rows, {len(keyed)} of them distinct"] * (len(keyed) != len(rows))
    looks = {look["sign"]: look for look in answer.get("look_next") or []}
    compare(ours, answer | {"evidence": keyed, "look_next": looks}, dig(request, "value", "all_original", "low", "currency"), worst, misses)
    if "price" in ours["log_odds_db"]:  # shares were asked for: they add up to the posterior
        parts = [r.get("share_db") for r in rows] + [odds.get(k) for k in ("prior", "price", "recalibration")]
        total = ("share_db", math.fsum(x or 0.0 for x in parts))
        compare(total, odds.get("posterior"), None, worst, misses, ("sum of shares",))
    return worst, misses, adopted

def fetch(url, body=None):  # an error answer becomes an exception that says what the service said
    data = None if body is None else json.dumps(body).encode()
    request = http.Request(url, data, {"Content-Type": "application/json"})
    try:
        with http.build_opener(http.ProxyHandler({})).open(request, timeout=60) as response:
            return json.load(response)
    except error.HTTPError as failure:
        raise RuntimeError(f"{failure.code} {failure.read().decode(errors='replace')[:2000]}") from None

def main(arguments):
    paths = [a for a in arguments if a != "--without-shares"]
    if len(paths) < 2:
        print(__doc__, file=sys.stderr)
        return 2
    base, passed, failed = paths.pop(0).rstrip("/"), 0, 0
    model = Model(fetch(f"{base}/v1/model"))
    for file in [f for p in map(Path, paths) for f in (sorted(p.rglob("*.json")) if p.is_dir() else [p])]:
        try:
            request = json.loads(file.read_text(encoding="utf-8"))
            request = request.get("request", request)
            answer = fetch(f"{base}/v1/assess", request)
            worst, misses, adopted = check(model, request, answer, "--without-shares" not in arguments)
        except Exception as fault:  # an answer we cannot follow fails that listing, and the run goes on
            worst, misses, adopted = {}, [f"{type(fault).__name__}: {fault}"], 0
        note = f" ({adopted} derived from facts taken over)" if adopted else ""
        print("FAIL" if misses else "ok  ", file.name, *(f" {k} {v:.1e}" for k, v in worst.items()), note)
        print("".join(f"     {file.name}: {miss}\n" for miss in misses), end="")
        passed, failed = passed + (not misses), failed + bool(misses)
    print(f"{passed} passed, {failed} failed")
    return 0 if passed and not failed else 1

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
