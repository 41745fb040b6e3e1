"""What frames every report: the page itself, where it comes from, how to check it, who reviewed it."""

from base64 import b64encode
from html import escape
from importlib import resources

from quietcell.report.build import LedgerFacts
from quietcell.report.html import NOT_KNOWN, Html, Times, facts, joined, number, safe, tag, words


def document(title: str, content: Html) -> str:
    """Return a whole page."""
    style = resources.files("quietcell.report").joinpath("page.css").read_text(encoding="utf-8")
    policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", Html(escape(title))),
        tag("style", Html(style)),
    )
    body = tag("body", tag("main", content), _footer())
    return f"<!DOCTYPE html>\n{tag('html', head, body, lang='en')}\n"


def figure(svg: str, alt: str, caption: object) -> Html:
    """Return a drawing with a text that stands for it."""
    data = b64encode(svg.encode()).decode()
    return tag(
        "figure", tag("img", src=f"data:image/svg+xml;base64,{data}", alt=alt), tag("figcaption", caption)
    )


def _footer() -> Html:
    return tag(
        "footer",
        "Drawn from the records of a quietcell ledger. It reports what was recorded, is no certificate and "
        "claims "
        "no compliance with any standard or pharmacopoeia. Do not base a safety decision on it.",
    )


def provenance(
    ledger: LedgerFacts, made_by: str, made_at: str, engine_version: int, time_zone: str, times: Times
) -> Html:
    """Return where the report comes from."""
    seqs: object = NOT_KNOWN
    if ledger.counted.first_seq is not None:
        seqs = joined([number(ledger.counted.first_seq), " to ", number(ledger.counted.last_seq)])
    counted = joined(
        (joined([kind, " ", number(count)]) for kind, count in ledger.counted.records.items()), ", "
    )
    return facts(
        [
            ("Ledger", tag("code", ledger.ledger)),
            ("Times are given in", f"{time_zone}; machine-readable times in the page are UTC"),
            ("Records counted", counted or "none"),
            ("Their numbers (seq)", seqs),
            (
                "Head of the ledger when read",
                joined([number(ledger.head_seq), ", SHA-256 ", digest(ledger.head_sha256)]),
            ),
            ("Chain", _chain(ledger)),
            (
                "Clock when determinations were stored",
                joined((joined([k, " ", number(v)]) for k, v in ledger.counted.time_quality.items()), ", ")
                or "none",
            ),
            (
                "Recorded by",
                f"{words(ledger.counted.software)}; engine version {words(ledger.counted.engine_versions)}",
            ),
            *(
                ("Demonstration", f"the clock ran {scale:g} times faster than time; readings are emulated")
                for scale in ledger.counted.time_scales
            ),
            ("Report made by", joined([made_by, f", engine version {engine_version}, ", times(made_at)])),
        ],
        "Where this report comes from",
    )


def digest(text: str) -> Html:
    """Return a hash, which may break anywhere."""
    return tag("span", text, class_="digest")


def _chain(ledger: LedgerFacts) -> Html:
    links, verified = ledger.links, ledger.verified
    if verified is not None:
        if not verified["sound"]:
            return tag("strong", f"VERIFICATION FAILED: {verified['fault']}")
        return joined(
            [
                "verified from the first record to the head: ",
                number(verified["records"]), " records, ", number(verified["readings"]),
                " readings match their digests, ", number(verified["readings_expired"]), " given up since, ",
                number(verified["readings_not_covered_yet"]), " not covered by a digest yet",
            ]
        )  # fmt: skip
    if links is None:
        return safe("nothing to check")
    if not links.sound:
        return tag("strong", f"BROKEN: {links.fault}. Do not rely on this report before that is cleared up")
    if links.first_seq == links.last_seq:
        return joined(
            ["record ", number(links.first_seq), " names the one before it (checked for this report)"]
        )
    return joined(
        [
            "records ", number(links.first_seq), " to ", number(links.last_seq),
            " follow on each other (checked for this report); readings were not held against their digests",
        ]
    )  # fmt: skip


def checking(ledger: LedgerFacts) -> Html:
    """Return how anybody can check what the report says."""
    commands = (
        (
            "Nothing in the ledger was changed, and readings match their digests:",
            "quietcell verify --ledger FOLDER",
        ),
        (
            "The same, against a head witnessed elsewhere:",
            f"quietcell verify --ledger FOLDER --head {ledger.head_seq}:{ledger.head_sha256}",
        ),
        (
            "The stored readings, judged once more, give the same records:",
            "quietcell verify --ledger FOLDER --recompute",
        ),
        (
            "One determination or calibration with its evidence, by its id:",
            "quietcell report --ledger FOLDER --determination ID --out FILE (or --calibration ID)",
        ),
    )
    return joined(
        [
            tag("h2", "How to check this report", id="check"),
            tag("ul", *(tag("li", what, " ", tag("code", how)) for what, how in commands)),
            tag(
                "p",
                "Every number is marked in the page with its exact value; quietcell report --json gives them "
                "all. Each "
                "record's SHA-256 is named in the next one, so a head kept elsewhere covers all records "
                "before it.",
            ),
        ]
    )


def review() -> Html:
    """Return the field a reviewer fills in by hand."""
    rows = [
        tag("tr", tag("th", name, scope="row"), tag("td", ""), class_="tall" if name == "Remarks" else None)
        for name in ("Reviewed by (name)", "Date", "Signature", "Remarks")
    ]
    return tag(
        "section",
        tag("h2", "Review", id="review"),
        tag("table", tag("caption", "To be filled in by the reviewer"), tag("tbody", *rows), class_="facts"),
        class_="review",
    )
