"""The share of time with a valid result: every instant has one cause, the last layer counts."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.times import rfc3339
from quietcell.report.coverage import Share, Stretch, attended, layers, shares_of, spoken_for, valid_pct
from quietcell.report.material import CellMaterial, Entry, Span

ZERO = 1_790_000_000_000
SPAN = Span(from_ms=ZERO, to_ms=ZERO + 100_000)


def entry(seq: int, at_ms: int, **body: object) -> Entry:
    kind = str(body["record"])
    return Entry(
        seq=seq, sha256="", body={"at": rfc3339(ZERO + at_ms), **body}, kind=kind,
        software="", engine_version=1, time_quality="synchronised",
    )  # fmt: skip


def determination(
    began_s: float, ended_s: float, verdict: str = "accepted", *reasons: str
) -> dict[str, object]:
    return {
        "record": "determination", "id": f"d{began_s}", "began_ms": ZERO + round(began_s * 1000),
        "ended_ms": ZERO + round(ended_s * 1000), "verdict": verdict, "reasons": list(reasons),
    }  # fmt: skip


def told(shares: list[Share]) -> dict[str, float]:
    return {share.cause: share.seconds for share in shares}


stretches = st.lists(
    st.builds(
        lambda begin, length, name: Stretch(ZERO + begin, ZERO + begin + length, name),
        st.integers(-20, 120), st.integers(0, 60), st.sampled_from(["accepted", "a", "b"]),
    ),
    max_size=8,
)  # fmt: skip


@given(stretches)
def test_every_instant_has_the_cause_of_the_last_layer_over_it(layer: list[Stretch]) -> None:
    span = Span(from_ms=ZERO, to_ms=ZERO + 100)
    by_hand: dict[str, int] = {}
    for at_ms in range(span.from_ms, span.to_ms):
        over = [s.name for s in layer if s.from_ms <= at_ms < s.to_ms]
        cause = over[-1] if over else "not-running"
        by_hand[cause] = by_hand.get(cause, 0) + 1
    found = shares_of(layer, span)
    assert told(found) == {cause: pytest.approx(ms / 1000) for cause, ms in by_hand.items()}
    assert sum(share.share_pct for share in found) == pytest.approx(100.0)
    assert valid_pct(found) == pytest.approx(by_hand.get("accepted", 0))


def test_a_determination_speaks_until_the_next_begins_but_no_longer_than_it_is_due() -> None:
    bodies = [determination(0, 4), determination(10, 14), determination(50, 70)]
    every = [(ZERO, 20_000)]
    spoken = [(s.from_ms - ZERO, s.to_ms - ZERO) for s in spoken_for(bodies, every, ())]
    assert spoken == [(0, 10_000), (10_000, 30_000), (50_000, 70_000)]


def test_on_request_a_determination_speaks_for_itself_alone() -> None:
    (stretch,) = spoken_for([determination(10, 14)], [(ZERO, None)], ())
    assert (stretch.from_ms - ZERO, stretch.to_ms - ZERO) == (10_000, 14_000)


def test_a_result_in_doubt_is_no_valid_result_and_a_refusal_has_its_reason() -> None:
    bodies = [determination(0, 4), determination(10, 14, "refused", "max-wait", "gap"), determination(20, 24)]
    names = [s.name for s in spoken_for(bodies, [(ZERO, 10_000)], {"d0"})]
    assert names == ["result-in-doubt", "refused: gap", "accepted"]


def test_work_silence_and_standstill_lie_over_results() -> None:
    settings = {"mode": "continuous", "every_s": 100.0}
    material = CellMaterial(
        cell="c",
        span=SPAN,
        in_span={
            "configuration": [entry(1, 0, record="configuration", settings=settings)],
            "segment": [
                entry(2, 10_000, record="segment", state="began"),
                entry(9, 80_000, record="segment", state="ended"),
            ],
            "determination": [entry(8, 24_000, **determination(20, 24))],
            "gap": [
                entry(5, 40_000, record="gap", began=rfc3339(ZERO + 35_000), ended=rfc3339(ZERO + 40_000))
            ],
            "attendance": [entry(6, 50_000, record="attendance", state="began", work="check")],
        },
    )
    assert attended(material) == [Stretch(ZERO + 50_000, ZERO + 80_000, "attended: check")]
    assert told(shares_of(layers(material, ()), SPAN)) == {
        "not-running": 30.0,
        "attended: check": 30.0,
        "accepted": 25.0,
        "no-determination": 10.0,
        "no-readings": 5.0,
    }


def test_a_segment_that_has_no_end_goes_on() -> None:
    material = CellMaterial(
        cell="c",
        span=SPAN,
        before={
            "configuration": [
                entry(1, -9000, record="configuration", settings={"mode": "on-request", "every_s": 1})
            ],
            "segment": [entry(2, -9000, record="segment", state="began")],
        },
    )
    assert told(shares_of(layers(material, ()), SPAN)) == {"on-request": 100.0}
    # Behind the last record it may have been killed.
    cut_off = replace(material, recorded_to_ms=ZERO + 40_000)
    assert told(shares_of(layers(cut_off, ()), SPAN)) == {"on-request": 40.0, "not-recorded": 60.0}
