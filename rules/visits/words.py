"""Why the plan is as it is: a sentence for each stop, each need left, each wish that failed.

Every sentence rests on figures that the plan was made of, so that a planner can disagree with one.
Days are named by the caller, since nothing here knows of dates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from rules.visits.day import Stop, Task, why_not_that_day
from rules.visits.needs import Need, chance_due, wait_cost_h
from rules.visits.planner import Plan, Visit, left_cost_h
from rules.visits.wishes import Wish

__all__ = ["conflicts", "stop_reason", "visit_reason", "why_left"]

DayName = Callable[[float], str]

_SURE = 0.995


def stop_reason(plan: Plan, visit: Visit, stop: Stop, name_day: DayName) -> str:
    """Why these jobs are done at this site on this day, in one sentence."""
    prices = plan.problem.prices
    needs = stop.task.needs
    lead = max(needs, key=lambda n: (chance_due(n, visit.day) * n.trip_h, -n.likely_day, n.key))
    text = _due(lead, visit.day, name_day)
    wish = next((plan.limits.day[n.key] for n in needs if n.key in plan.limits.day), None)
    if wish is not None:
        text += f", and {wish.named} wants it on this day"
    others = [need for need in needs if need is not lead]
    if others:
        units = len({need.unit for need in needs})
        apart = len(needs) * prices.isolation_h + len(needs) * prices.arrival_h
        saved_h = apart - units * prices.isolation_h - prices.arrival_h
        names = _list(f"{_part(n)} of {n.unit}" for n in others[:3])
        if len(others) > 3:
            names += f" and {len(others) - 3} more"
        text += (
            f"; {names} {'is' if len(others) == 1 else 'are'} done with it, which saves "
            f"{saved_h:.1f} h of isolation and access against visits of their own"
        )
    if stop.task.dry_hours:
        place = plan.problem.places[stop.task.place]
        if visit.day in place.hot_days:
            text += f", and pads are worked on before {_clock(place.cool_ends_h)}, while it is cool"
    return f"{text}."


def visit_reason(plan: Plan, visit: Visit) -> str:
    """Why these sites make one day, in one sentence; '' where there is one site only."""
    if len(visit.plan.stops) < 2:
        return ""
    roads_h, crews = plan.problem.roads(), len(plan.problem.crews)
    alone_h = sum(
        float(roads_h[visit.crew, crews + s.task.place] + roads_h[crews + s.task.place, visit.crew])
        for s in visit.plan.stops
    )
    names = _list(plan.problem.places[s.task.place].name for s in visit.plan.stops)
    return (
        f"{names} are near each other: in one day they take {visit.plan.drive_h:.1f} h of driving "
        f"instead of {alone_h:.1f} h."
    )


def why_left(plan: Plan, key: str, name_day: DayName) -> str:
    """Why a need has no visit in this plan, in one sentence."""
    problem = plan.problem
    row = next(i for i, need in enumerate(problem.needs) if need.key == key)
    need = problem.needs[row]
    roads_h = problem.roads()
    task = _alone(plan, need)
    reasons: dict[str, int] = {}
    cheapest_h = None
    for crew in problem.crews:
        if crew.team != problem.places[task.place].team:
            continue
        to = len(problem.crews) + task.place
        index = problem.crews.index(crew)
        drive_h = float(roads_h[index, to] + roads_h[to, index])
        for day in range(problem.day_count):
            why = why_not_that_day(problem, roads_h, crew, day, task)
            if not why and not plan.limits.allows(key, day, crew.id):
                why = f"{_named(_against(plan, key))} rules it out"
            if why:
                reasons[why] = reasons.get(why, 0) + 1
                continue
            cost_h = (
                drive_h * problem.prices.drive + problem.prices.arrival_h
                + problem.prices.isolation_h + wait_cost_h(need, day, problem.prices.isolation_h)
            )  # fmt: skip
            cheapest_h = cost_h if cheapest_h is None else min(cheapest_h, cost_h)
    what = f"{_part(need)} of {need.unit}"
    if cheapest_h is None:
        # A day off is no reason where something else stands in the way on other days as well.
        most = sorted(reasons, key=lambda r: ("on that day" in r, -reasons[r], r))
        why = most[0] if most else "no crew serves the team of this site"
        return f"No visit for {what}: {why}."
    due = _due(need, problem.day_count, name_day)
    wait_h = left_cost_h(problem, row, roads_h)
    if cheapest_h >= wait_h:
        return (
            f"{due}; it is left for a later plan, since a visit now would cost "
            f"{cheapest_h:.1f} crew hours against {wait_h:.1f} for waiting."
        )
    return (
        f"{due}; it has no visit, since the crews' days are taken by what costs more to leave than "
        f"its {wait_h:.1f} crew hours."
    )


def conflicts(plan: Plan) -> list[str]:
    """Each wish that could not be kept, with what it conflicts with."""
    said = list(plan.limits.unknown)
    left = set(plan.left)
    wishes = {wish.number: wish for wish in plan.limits.day.values()}
    for wish in wishes.values():
        missed = sorted(key for key in wish.needs & left if plan.limits.day.get(key) is wish)
        if missed:
            said.append(_conflict(plan, wish, missed))
    return said


def _conflict(plan: Plan, wish: Wish, missed: list[str]) -> str:
    problem = plan.problem
    need = next(n for n in problem.needs if n.key == missed[0])
    what = f"{_capital(wish.named)} cannot be kept for {_list(missed)}"
    closing = [
        other for other in plan.limits.closed.get(need.key, ())
        if wish.day is not None and not plan.limits.allows(need.key, wish.day, wish.crew)
    ]  # fmt: skip
    if closing:
        return f"{what}: {_named(closing)} keeps that day free of it. End one of the two."
    together = [n for n in problem.needs if n.key in missed]
    crews = [c for c in problem.crews if wish.crew in {"", c.id}]
    days = range(problem.day_count) if wish.day is None else [wish.day]
    for needs in (together, [need]):
        task = Task.of(_place(plan, need), needs, problem.prices)
        whys = [why_not_that_day(problem, problem.roads(), c, d, task) for c in crews for d in days]
        if whys and all(whys):
            own = [w for w in whys if "does not serve" not in w]
            return f"{what}: {(own or whys)[0]}."
    rivals = [
        other for other in {w.number: w for w in plan.limits.day.values()}.values()
        if other.number != wish.number and other.day == wish.day
        and (not other.crew or not wish.crew or other.crew == wish.crew)
    ]  # fmt: skip
    if rivals:
        return f"{what} beside {_named(rivals)} on the same day. Move one of them."
    return (
        f"{what}: no day of up to {problem.prices.most_sites} near sites holds it with what else "
        "must be done then."
    )


def _alone(plan: Plan, need: Need) -> Task:
    return Task.of(_place(plan, need), [need], plan.problem.prices)


def _place(plan: Plan, need: Need) -> int:
    return next(i for i, place in enumerate(plan.problem.places) if place.site == need.site)


def _against(plan: Plan, key: str) -> list[Wish]:
    pinned = plan.limits.day.get(key)
    return [*([pinned] if pinned is not None else []), *plan.limits.closed.get(key, ())]


def _named(wishes: Iterable[Wish]) -> str:
    return _list(wish.named for wish in wishes)


def _due(need: Need, day: float, name_day: DayName) -> str:
    if not need.is_wear:
        return (
            f"{_capital(_part(need))} of {need.unit} has an open ticket, to be answered by "
            f"{name_day(need.likely_day)}"
        )
    chance = chance_due(need, day)
    if chance >= _SURE:
        return f"The limit of {_part(need)} of {need.unit} is surely reached by {name_day(day)}"
    dates = (
        f"The limit of {_part(need)} of {need.unit} is likely reached on "
        f"{name_day(need.likely_day)} (80 %: "
        f"{name_day(need.early_day)} to {name_day(need.late_day)})"
    )
    return f"{dates}, with a chance of {chance * 100:.0f} % by {name_day(day)}"


def _part(need: Need) -> str:
    return need.part.replace("-", " ")


def _clock(hour: float) -> str:
    minutes = round(hour * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _list(words: Iterable[str]) -> str:
    words = list(words)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
