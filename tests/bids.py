#!/usr/bin/env python3
"""Holds POST /v1/bids against a general solver.

    tests/bids.py http://127.0.0.1:8377

Saves invented auctions, asks which to bid on, and gives the same choice to scipy.optimize.milp (HiGHS). What each
auction costs and brings is not taken from the answer: it is read off POST /v1/assess at the price in question and
reckoned from the request. Up to 25 auctions that could be chosen both must agree to the cent; above that the
optimum must lie between `expected_net` and `bound`. Prints a line a case; exits 1 if any failed.
"""
import json
import random
import sys
from decimal import ROUND_HALF_EVEN, Decimal
from urllib import request as http

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

CENT = Decimal("0.01")
SIGNS = ["dial_too_fresh", "crown_unsigned", "hands_style_clash", "movement_engraving_fresh", "dial_print_soft"]


def eur(amount):
    return {"amount": str(Decimal(amount).quantize(CENT)), "currency": "EUR"}


def send(base, method, path, body):
    sent = http.Request(base + path, json.dumps(body).encode(), {"Content-Type": "application/json"}, method=method)
    with http.build_opener(http.ProxyHandler({})).open(sent, timeout=120) as answer:
        return json.load(answer)


def auction(dice):
    middle = dice.uniform(200, 2000)
    return {
        "offer": {"kind": "auction", "price": eur(dice.uniform(0.05, 0.5) * middle), "shipping": eur(dice.randint(0, 40)),
                  "fixed_costs": eur(dice.randint(0, 200)), "buyer_fee_rate": dice.choice([0, 0.15, 0.25]),
                  "import_rate": dice.choice([0, 0, 0.2])},
        "value": {"all_original": {"low": eur(0.8 * middle), "high": eur(1.25 * middle)}, "selling_fee_rate": 0.1},
        "aim": {"required_margin": dice.choice([0, 0.1, 0.3])},
        "observations": [{"sign": s, "call": dice.choice(["present", "absent", "absent"])}
                         for s in dice.sample(SIGNS, dice.randint(0, 4))],
        "include": ["decision"],
    }


def decision(base, request, price):
    asked = request | {"offer": request["offer"] | {"price": price}}
    return send(base, "POST", "/v1/assess", asked)["decision"]


def landed_cost(offer, price):
    fee, duty = (Decimal(str(offer[k])) for k in ("buyer_fee_rate", "import_rate"))
    shipping, fixed = (Decimal(offer[k]["amount"]) for k in ("shipping", "fixed_costs"))
    cost = (price * (1 + fee) + shipping) * (1 + duty) + fixed
    return cost.quantize(CENT, ROUND_HALF_EVEN)


def weigh(base, request, expected):
    """Cost and worth in cents; no worth where one would be outbid."""
    told = decision(base, request, expected)
    most, price = Decimal(told["walk_away_price"]["amount"]), Decimal(expected["amount"])
    net = Decimal(told["expected_net"]["amount"])
    return int(landed_cost(request["offer"], most) * 100), int(net * 100) if price <= most else 0


def optimum(budget, costs, worths, groups):
    """The best choice by mixed-integer programming, in cents."""
    worth = np.array([max(w, 0) for w in worths], float)
    open_ = Bounds(0, [1.0 if w > 0 else 0.0 for w in worths])
    limits = [LinearConstraint(np.array([costs], float), ub=[budget])]
    if groups:
        limits.append(LinearConstraint(np.array([[i in g for i in range(len(costs))] for g in groups], float), ub=1))
    found = milp(-worth, integrality=np.ones(len(costs)), bounds=open_, constraints=limits,
                 options={"mip_rel_gap": 0, "time_limit": 60})
    assert found.success, found.message
    taken = [i for i, x in enumerate(found.x) if x > 0.5]
    assert sum(costs[i] for i in taken) <= budget and all(len(set(taken) & set(g)) <= 1 for g in groups)
    return sum(worths[i] for i in taken), found.x


def main(base):
    dice, passed, failed = random.Random(1958), 0, 0
    pool = []
    for i in range(80):
        request = auction(dice)
        lot, price = f"bids-{i}", eur(Decimal(request["offer"]["price"]["amount"]) * Decimal(str(dice.choice([1, 1.2, 1.5]))))
        send(base, "PUT", f"/v1/listings/{lot}", request)
        pool.append((lot, price, *weigh(base, request, price)))
    for count, cases in ((5, 6), (12, 6), (25, 8), (80, 4)):
        for _ in range(cases):
            lots = dice.sample(pool, count)
            costs, worths = [lot[2] for lot in lots], [lot[3] for lot in lots]
            groups = [dice.sample(range(count), dice.randint(2, min(count, 6))) for _ in range(dice.randint(0, count // 3))]
            budget = int(sum(costs) * dice.uniform(0.05, 0.7))
            answer = send(base, "POST", "/v1/bids", {
                "budget": eur(Decimal(budget) / 100),
                "listings": [{"id": lot[0], "expected_price": lot[1]} for lot in lots],
                "at_most_one": [[lots[i][0] for i in g] for g in groups],
            })
            best, _ = optimum(budget, costs, worths, groups)
            net, bound = (int(Decimal(answer[k]["amount"]) * 100) for k in ("expected_net", "bound"))
            place = {lot[0]: i for i, lot in enumerate(lots)}
            taken = [place[lot] for lot in answer["choose"]]
            faults = []
            if sum(worths[i] for i in taken) != net or sum(costs[i] for i in taken) > budget:
                faults.append("the choice is not worth or costs not what is said")
            if any(len(set(taken) & set(g)) > 1 for g in groups) or any(worths[i] <= 0 for i in taken):
                faults.append("the choice breaks a rule")
            if sum(w > 0 for w in worths) <= 25 and not best == net == bound:
                faults.append(f"not the optimum: {best / 100}")
            if not net <= best <= bound:
                faults.append(f"the optimum {best / 100} is not between")
            gap = (bound - net) / max(net, 1)
            print("FAIL" if faults else "ok  ", f"{count} auctions, {len(groups)} groups: {net / 100} to {bound / 100},",
                  f"optimum {best / 100}, gap {gap:.2%}", *faults)
            passed, failed = passed + (not faults), failed + bool(faults)
    print(f"{passed} passed, {failed} failed")
    return 0 if passed and not failed else 1


if __name__ == "__main__":
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    sys.exit(main(sys.argv[1].rstrip("/")))
