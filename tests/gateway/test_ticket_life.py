"""A ticket's life: every phase met with every act, and the words of what is refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from gateway.tickets.life import (
    ENDED,
    MOVES,
    STANDING,
    WHOSE,
    Act,
    Mover,
    Presence,
    TicketPhase,
    may,
    moved,
    people_on_site,
    present,
    refusal,
)

ACTS = (
    Act.ACKNOWLEDGE, Act.ASSIGN, Act.ARRIVE, Act.LEAVE, Act.FINISH, Act.CLOSE, Act.ASK_AGAIN,
    Act.DISAGREE, Act.VERIFY,
)  # fmt: skip
# The life as it was agreed on, written down apart from the code: one line a phase, one column an
# act in the order above. '.' is refused.
AGREED = """
              ack       assign    arrive  leave     finish  close   again   disagree verify
open          ackd      assigned  onsite  .         .       closed  open    .        .
acknowledged  ackd      assigned  onsite  .         .       closed  open    .        .
assigned      assigned  assigned  onsite  .         .       closed  open    .        .
on-site       onsite    .         onsite  assigned  done    closed  onsite  .        .
work-done     done      assigned  onsite  .         .       closed  open    open     .
closed        .         .         .       .         .       .       .       open     verified
verified      .         .         .       .         .       .       .       open     .
"""
WORDS = {
    "open": TicketPhase.OPEN,
    "ackd": TicketPhase.ACKNOWLEDGED,
    "assigned": TicketPhase.ASSIGNED,
    "onsite": TicketPhase.ON_SITE,
    "done": TicketPhase.WORK_DONE,
    "closed": TicketPhase.CLOSED,
    "verified": TicketPhase.VERIFIED,
}


def agreed() -> list[tuple[TicketPhase, Act, TicketPhase | None]]:
    cases = []
    for line in AGREED.strip().splitlines()[1:]:
        name, *cells = line.split()
        phase = TicketPhase(name.replace("-", " "))
        cases += [(phase, a, WORDS.get(c)) for a, c in zip(ACTS, cells, strict=True)]
    return cases


def test_the_walk_meets_every_phase_with_every_act() -> None:
    cases = agreed()
    assert len(cases) == len(TicketPhase) * len(Act) == 63
    assert {(p, a) for p, a, _ in cases} == {(p, a) for p in TicketPhase for a in Act}
    assert {(p, a) for p, a, after in cases if after} == set(MOVES)


@pytest.mark.parametrize(("phase", "act", "after"), agreed())
def test_each_act_moves_the_ticket_or_is_refused_with_a_sentence(
    phase: TicketPhase, act: Act, after: TicketPhase | None
) -> None:
    if after is not None:
        assert may(phase, act)
        assert moved(phase, act) is after
        return
    assert not may(phase, act)
    with pytest.raises(KeyError):
        moved(phase, act)
    sentence = refusal("BW-000007", phase, act, "Ana")
    assert "BW-000007" in sentence
    assert sentence.endswith("Nothing was changed.")
    assert "Ana" in sentence or phase.value in sentence or act is Act.LEAVE


def test_every_phase_is_reached_and_none_but_data_leads_out_of_the_ended_ones() -> None:
    reached = {TicketPhase.OPEN}
    while more := {after for (p, _), after in MOVES.items() if p in reached} - reached:
        reached |= more
    assert reached == set(TicketPhase)
    assert {WHOSE[act] for (phase, act) in MOVES if phase in ENDED} == {Mover.DATA}
    assert set(TicketPhase) == STANDING | ENDED
    assert not STANDING & ENDED


def test_the_readme_shows_the_same_table() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text()
    table = text.split("### A ticket's life")[1].split("\n\n")[1]
    rows = [[c.strip() for c in line.split("|")[1:-1]] for line in table.splitlines()[2:]]
    assert [name for name, *_ in rows] == [phase.value for phase in TicketPhase]
    for name, _, follows in rows:
        plain = re.sub(r"`[^`]*`", "", follows)
        said = {p for p in TicketPhase if re.search(rf"\b{p.value}\b", plain)}
        after = {b for (a, _), b in MOVES.items() if a.value == name and b is not a}
        assert said == after, name


def test_a_ticket_that_was_assigned_goes_back_to_whom_it_was_assigned() -> None:
    assert moved(TicketPhase.OPEN, Act.ACKNOWLEDGE, assignee="Ana") is TicketPhase.ASSIGNED
    assert moved(TicketPhase.OPEN, Act.ACKNOWLEDGE) is TicketPhase.ACKNOWLEDGED


def test_a_person_is_known_by_the_name_however_it_is_written() -> None:
    here = people_on_site({"people": [{"by": "Ana  Lima", "since_ms": 5}]})
    assert here == (Presence("Ana  Lima", 5),)
    assert present(here, " ana lima") is here[0]
    assert present(here, "Ana Limas") is None
    assert people_on_site(None) == people_on_site({"people": None}) == ()
