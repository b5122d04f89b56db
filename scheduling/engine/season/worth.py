"""What an hour more would be worth in each week."""

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.pricing import Prices, Pricing

Floats = NDArray[np.float64]


def hour_worth(pricing: Pricing, prices: Prices) -> Floats:
    """Worth of one hour added to each week [weighted d per h], shape (W,).

    Notes
    -----
    The relaxation's price of an hour, weighted over the people in proportion to their hours of that week.
    In a week without hours the price is not unique; given is the least one at which no visit would be
    taken, the gain of the first minutes.
    """
    hours, member = pricing.problem.hours, pricing.pools.member
    by_person = np.where(member >= 0, np.append(prices.pool, 0.0)[member], 0.0)
    total = hours.sum(axis=0)
    worth = np.zeros(len(total))
    some = total > 0
    worth[some] = (by_person * hours).sum(axis=0)[some] / total[some]
    if not some.all():
        worth[~some] = _first_gain(pricing, prices)[~some]
    return worth


def _first_gain(pricing: Pricing, prices: Prices) -> Floats:
    price = pricing.visit_price(prices)
    empty = pricing.problem.hours.sum(axis=0) <= 0
    price[:, empty] = np.inf
    value = pricing.table.forward(price)[:, -1]
    gain = np.zeros(len(empty))
    for week in np.flatnonzero(empty):
        one = price.copy()
        one[:, week] = 0.0
        saved = np.append(value - pricing.table.forward(one)[:, -1], 0.0)
        gain[week] = max(0.0, float((saved[:-1] / pricing.hours).max()))
        if len(pricing.bundling):
            together = saved[pricing.bundling.member].sum(axis=1) / pricing.bundling.hours[:, week]
            gain[week] = max(gain[week], float(together.max()))
    return gain
