"""What the facts of a cell and its live readings mean for its alarms. Pure."""

from collections.abc import Iterable, Mapping

from quietcell.core.alarms.body import AlarmBody
from quietcell.core.alarms.cell_facts import Facts
from quietcell.core.alarms.engine import AlarmEngine, AlarmRefusedError, Person
from quietcell.core.alarms.limits import CellLimits
from quietcell.core.alarms.moment import Moment, Span
from quietcell.core.alarms.states import AlarmState
from quietcell.core.electrode.condition import SEVERITY, Signal
from quietcell.core.indication import Indication
from quietcell.core.records import Json
from quietcell.core.times import DAY_MS, rfc3339, utc_ms
from quietcell.core.water.pharmacopoeia import stage_1_limit_us_cm

SLOW_LOOK_MS = 5_000
"""Where no record brings news, what only grows old is looked at so often."""
UNSEEN_MS = 600_000
"""What was not measured for so long is watched no longer: the meter may have been changed for another."""
OF_QUANTITY = {
    "flow_ml_min": ("flow-stopped", "flow-out-of-band"),
    "conductivity_us_cm": ("conductivity-out-of-limits", "conductivity-stage-1"),
}
"""Alarms on what not every meter measures."""
STEP_MS = 1000
"""UTC that goes back further was set back."""
ALARM_OF_DIAGNOSIS = {
    "co2-ingress": "co2-ingress",
    "acidic-ingress": "acidic-ingress",
    "base-ingress": "base-ingress",
    "salt-ingress": "salt-ingress",
    "junction-drift": "electrode-condition",
    "electrical-step": "electrical-disturbance",
    "streaming": "electrical-disturbance",
    "temperature": "temperature",
    "flow-stopped": "flow-stopped",
    "sensor-fault": "sensor-fault",
    "cannot-tell": "unexplained-change",
}


class CellWatch:
    """Feeds one cell's alarms.

    Parameters
    ----------
    cell : str
        Its name.
    engine : AlarmEngine
        Its alarms.
    limits : CellLimits
        What it is watched against.
    began_utc_ms : int
        When watching began.
    """

    def __init__(self, cell: str, engine: AlarmEngine, limits: CellLimits, began_utc_ms: int) -> None:
        self.cell = cell
        self.engine = engine
        self.limits = limits
        self.facts = Facts()
        self.sanitisation: Span | None = None
        self.began_utc_ms = began_utc_ms
        """When watching began, or the meter came back: nothing was owed before."""
        self._owed_utc_ms = began_utc_ms
        """Since when results are owed: the same, but for a lack of them told before watching began."""
        self._attended = False
        """Someone works at the cell: what it reads is not of the water."""
        self._seen_utc_ms = began_utc_ms
        """UTC at the last look: behind it, the clock was set back."""
        self._looked_ms: int | None = None
        """When everything was last looked at; None where there is news."""
        self._measured_ms: dict[str, int] = {}
        """When each quantity was last measured, or first missed."""

    def learn(self, body: Mapping[str, Json]) -> None:
        """Take in a record of the cell; what follows from it shows at the next look."""
        if self.facts.learn(body):
            self._looked_ms = None

    # --- looking -------------------------------------------------------------------------------

    def look(self, now: Moment, live: Indication) -> list[AlarmBody]:
        """Hold everything known against the table and return what changed."""
        if now.utc_ms < self._seen_utc_ms - STEP_MS:
            self._begin_anew(now)
        self._seen_utc_ms = now.utc_ms
        self.facts.forget_what_is_ahead_of(now.utc_ms + STEP_MS)
        # At a cell on request samples are the work of the cell itself.
        attended = live.attended is not None and (self.facts.continuous or live.attended != "measure")
        if attended is not self._attended:
            self._looked_ms = None
            if not attended:
                self._begin_anew(now)
        self._attended = attended
        self._look_at_meter(now, live)
        self._look_at_sanitisation(now)
        # What records and the calendar say changes with a record, or slowly.
        everything = self._looked_ms is None or now.ms - self._looked_ms >= SLOW_LOOK_MS
        if everything:
            self._looked_ms = now.ms
            self._look_at_calendar(now)
        if not attended:  # an electrode in buffer, beaker or hand says nothing of the water
            if not self.engine.present("meter-silent"):
                self._look_at_live(now, live)
                self._let_go_of_unmeasured(now, live)
            if everything:
                self._look_at_episodes(now)
                self._look_at_determinations(now)
        return self.engine.advance(now)

    def condition(self) -> Signal:
        """Return the signal of the cell after NAMUR NE 107; work at it is function check."""
        attended = Signal.FUNCTION_CHECK if self._attended else Signal.NONE
        return max(self.engine.condition(), attended, key=SEVERITY.index)

    def has_current_result(self, now: Moment) -> bool:
        """Tell whether the last valid result may be taken for what the water is now."""
        result, limit_s = self.facts.result, self.limits.no_result_after_s
        if result is None or limit_s is None or self._attended:
            return False
        if any(each["record"] == "check" for each in self.facts.failed.values()):
            return False
        if self.engine.present("meter-silent") or self.engine.present("sanitisation"):
            return False
        ended_utc_ms = utc_ms(result["ended"])
        # How old one from ahead is nobody knows.
        young = -STEP_MS <= now.utc_ms - ended_utc_ms <= limit_s * 1000
        return young and ended_utc_ms >= self.facts.changed_utc_ms

    def _begin_anew(self, now: Moment) -> None:
        """Owe nothing for the time that could not be watched, but for a lack that was told before."""
        told = self.engine.states().get("no-result") is not AlarmState.SUPPRESSED
        self.began_utc_ms = now.utc_ms
        self._owed_utc_ms = 0 if told and self.engine.present("no-result") else now.utc_ms
        self._looked_ms = None
        self._measured_ms.clear()

    def _look_at_meter(self, now: Moment, live: Indication) -> None:
        fault = self.facts.fault
        lost = fault is not None and (live.at is None or utc_ms(live.at) <= utc_ms(fault["at"]))
        quiet_s = (now.utc_ms - self.began_utc_ms) / 1000 if live.age_s is None else live.age_s
        sparse = self.facts.sparse
        usual_s = 0.0 if sparse is None else 3 * sparse["gap_s"]
        silent = lost or quiet_s > max(self.limits.silent_after_s, usual_s)

        def said() -> str:
            if lost and fault is not None:
                return str(fault["text"])
            since = f"no reading {'yet' if live.at is None else f'since {live.at}'}"
            return f"{since}: {live.hindrance}" if live.hindrance else since

        was_present = self.engine.present("meter-silent")
        about = fault["id"] if lost and fault is not None else None
        self.engine.observe(now, "meter-silent", holds=silent, text=said, about=about)
        text = "" if sparse is None else f"readings {sparse['gap_s']:.1f} s apart and more"
        about = None if sparse is None else sparse["id"]
        self.engine.observe(now, "readings-too-sparse", holds=sparse is not None, text=text, about=about)
        if was_present and not self.engine.present("meter-silent"):
            self._begin_anew(now)

    def _look_at_sanitisation(self, now: Moment) -> None:
        if self.sanitisation is not None and now.ms >= self.sanitisation.ends_ms:
            self.sanitisation = None
            self._begin_anew(now)
        if self.sanitisation is None:
            self.engine.observe(now, "sanitisation", holds=False)

    def _look_at_live(self, now: Moment, live: Indication) -> None:
        limits = self.limits
        flow, temperature_c, conductivity = live.flow_ml_min, live.temperature_c, live.conductivity_us_cm
        by_episode = {ALARM_OF_DIAGNOSIS.get(e["diagnosis"]) for e in self.facts.episodes.values()}
        if live.at is not None:
            missing = [n for n, v in (("potential", live.mv), ("temperature", temperature_c)) if v is None]
            text = f"no {' and no '.join(missing)} from the meter" if missing else "a fault of a sensor"
            last = self.facts.determination
            # Where none is rejected the window was full of spikes: noise, and no sensor's fault.
            rejected = (
                {} if last is None or "flagged-readings" not in last["reasons"] else last["rejected_readings"]
            )
            holds = bool(missing) or bool(rejected) or "sensor-fault" in by_episode
            if rejected and not missing:
                text = f"readings rejected: {_counted(rejected)}"
                if last is not None and not self.facts.continuous:
                    text += f", up to {last['ended']}; the next determination tells whether that is over"
            self.engine.observe(now, "sensor-fault", holds=holds, text=text)
        if flow is not None:
            stopped = flow < limits.flow_stopped_ml_min or "flow-stopped" in by_episode
            flushes = ", what stood is being flushed out" if flow >= limits.flow_stopped_ml_min else ""
            self.engine.observe(
                now, "flow-stopped", holds=stopped, text=lambda: f"flow {flow:.1f} mL/min{flushes}"
            )
            self._look_at_level(
                now,
                "flow-out-of-band",
                flow,
                "flow {:.1f}",
                "mL/min",
                limits.flow_low_ml_min,
                limits.flow_high_ml_min,
            )
        if temperature_c is not None:
            low, high = limits.temperature_low_c, limits.temperature_high_c
            if "temperature" in by_episode:
                text = f"{temperature_c:.1f} °C{_limits(low, high, '°C')}"
                self.engine.observe(now, "temperature", holds=True, text=text)
            else:
                self._look_at_level(now, "temperature", temperature_c, "{:.1f}", "°C", low, high)
        if conductivity is not None:
            low, high = limits.conductivity_low_us_cm, limits.conductivity_high_us_cm
            self._look_at_level(now, "conductivity-out-of-limits", conductivity, "{:.3f}", "µS/cm", low, high)
            if not limits.conductivity_stage_1:
                self.engine.observe(now, "conductivity-stage-1", holds=False)
            elif temperature_c is not None and 0 <= temperature_c <= 100:
                allowed = float(stage_1_limit_us_cm(temperature_c))
                self.engine.observe_level(
                    now,
                    "conductivity-stage-1",
                    conductivity,
                    high=allowed,
                    text=lambda: (
                        f"{conductivity:.3f} µS/cm at {temperature_c:.1f} °C, the table allows {allowed:.1f}"
                    ),
                )

    def _let_go_of_unmeasured(self, now: Moment, live: Indication) -> None:
        for quantity, names in OF_QUANTITY.items():
            if getattr(live, quantity) is not None or quantity not in self._measured_ms:
                self._measured_ms[quantity] = now.ms
            elif now.ms - self._measured_ms[quantity] >= UNSEEN_MS:
                for name in names:
                    self.engine.observe(now, name, holds=False)

    def _look_at_level(
        self,
        now: Moment,
        name: str,
        value: float,
        shown: str,
        unit: str,
        low: float | None,
        high: float | None,
    ) -> None:
        """Hold a live value against the user's limits, told in words where it breaks them."""
        self.engine.observe_level(
            now,
            name,
            value,
            low=low,
            high=high,
            text=lambda: f"{shown.format(value)} {unit}{_limits(low, high, unit)}",
        )

    def _look_at_episodes(self, now: Moment) -> None:
        opened = {ALARM_OF_DIAGNOSIS.get(e["diagnosis"], ""): e for e in self.facts.episodes.values()}
        gone = {ALARM_OF_DIAGNOSIS.get(each): text for each, text in self.facts.gone.items()}
        for name in dict.fromkeys(ALARM_OF_DIAGNOSIS.values()):
            if name in {"sensor-fault", "flow-stopped", "temperature", "electrode-condition"}:
                continue  # these have other sources beside
            episode = opened.get(name)
            text = "" if episode is None else str(episode["text"])
            about = None if episode is None else episode["episode"]
            over = gone.get(name, "")
            self.engine.observe(now, name, holds=episode is not None, text=text, about=about, over=over)
        junction = opened.get("electrode-condition")
        text, about = self.facts.finding if junction is None else (str(junction["text"]), junction["episode"])
        self.engine.observe(now, "electrode-condition", holds=bool(text), text=text, about=about)

    def _look_at_determinations(self, now: Moment) -> None:
        last, result, limits = self.facts.determination, self.facts.result, self.limits
        if last is not None:
            self.engine.observe(
                now,
                "conductivity-contradiction",
                holds="conductivity-contradiction" in last["reasons"],
                text=f"pH {_shown(last['ph'])} where conductivity and temperature allow "
                f"{_shown(last['ph_allowed_low'])} to {_shown(last['ph_allowed_high'])}",
                about=last["id"],
            )
            smallest = last.get("smallest_co2_ug_per_l")
            # The first, and each of a sample, is asked before there is anything to compare with.
            if self.facts.blind > 1 and self.facts.continuous:
                self.engine.observe(
                    now,
                    "detector-blind",
                    holds=True,
                    text="no amount of carbon dioxide would be found",
                    about=last["id"],
                )
            elif smallest is not None:
                self.engine.observe_level(
                    now,
                    "detector-blind",
                    smallest,
                    high=limits.blind_above_co2_ug_per_l,
                    text=f"less than {smallest:.0f} µg/L of carbon dioxide would not be found",
                    about=last["id"],
                )
            elif not self.facts.continuous:
                self.engine.observe(now, "detector-blind", holds=False)
        if result is not None:
            referred = result["ph_25c"] is not None
            ph, at_c = (result["ph_25c"], 25.0) if referred else (result["ph"], result.get("temperature_c"))
            low, high = limits.ph_low, limits.ph_high
            where = "" if at_c is None else f" at {at_c if referred else round(at_c, 1):g} °C"
            text = f"pH {ph:.2f}{where}{_limits(low, high, 'pH')}"
            self.engine.observe_level(
                now, "ph-out-of-limits", ph, low=low, high=high, text=text, about=result["id"]
            )
        after_s = limits.no_result_after_s
        if not self.facts.continuous or after_s is None:
            self.engine.observe(now, "no-result", holds=False)  # nothing is owed, whatever was before
        else:
            ended = 0 if result is None else utc_ms(result["ended"])
            since = max(self._owed_utc_ms, ended if ended <= now.utc_ms + STEP_MS else 0)
            late = now.utc_ms - since > after_s * 1000
            told = "none since watching began" if result is None else f"the last is of {result['ended']}"
            text = f"no valid result for more than {after_s / 60:.0f} min; {told}"
            self.engine.observe(
                now, "no-result", holds=late, text=text, about=None if last is None else last["id"]
            )

    def _look_at_calendar(self, now: Moment) -> None:
        limits, facts = self.limits, self.facts
        self.engine.observe(now, "not-calibrated", holds=not facts.calibrated, text="no calibration counts")
        expires = facts.calibration_expires_utc_ms
        if expires is None:
            due = expired = False
            text = ""
        else:
            due = now.utc_ms >= expires - limits.calibration_due_before_d * DAY_MS
            expired = now.utc_ms >= expires
            text = f"the calibration counts until {rfc3339(expires)}"
        self.engine.observe(now, "calibration-expired", holds=expired, text=text)
        self.engine.observe(now, "calibration-due", holds=due, text=text)
        failed = max(facts.failed.values(), key=lambda body: str(body["at"]), default=None)
        self.engine.observe(
            now,
            "check-failed",
            holds=failed is not None,
            text=_what_failed(failed) if failed else "",
            about=failed["id"] if failed else None,
        )
        for name, every_d, last_utc_ms in (
            ("check-due", limits.check_every_d, None if facts.check is None else utc_ms(facts.check["at"])),
            ("electrolyte-due", limits.electrolyte_every_d, facts.cared_utc_ms("electrolyte-refilled")),
            ("cleaning-due", limits.cleaning_every_d, facts.cared_utc_ms("cleaned")),
            ("tubing-due", limits.tubing_every_d, facts.cared_utc_ms("tubing-changed")),
        ):
            if every_d is None:
                self.engine.observe(now, name, holds=False)
            else:
                late = last_utc_ms is None or now.utc_ms - last_utc_ms > every_d * DAY_MS
                last_text = (
                    "none is recorded" if last_utc_ms is None else f"the last was {rfc3339(last_utc_ms)}"
                )
                self.engine.observe(now, name, holds=late, text=f"wanted every {every_d:g} d; {last_text}")

    # --- sanitisation --------------------------------------------------------------------------

    def begin_sanitisation(self, now: Moment, by: Person, *, until_utc_ms: int) -> list[AlarmBody]:
        """Put the cell into function check until a stated time, or keep it there until another one.

        Whoever does it knows of it.

        Raises
        ------
        AlarmRefusedError
            If its end is past or too far off.
        """
        subject = f"{self.cell}/sanitisation"
        if not now.utc_ms < until_utc_ms <= now.utc_ms + DAY_MS:
            raise AlarmRefusedError(
                f"it would end at {rfc3339(until_utc_ms)}",
                subject=subject,
                hint="Name an end within the next 24 hours",
            )
        lasts = Span.beginning(now, until_utc_ms)
        text = f"{by.operator or 'someone'}: {by.reason}; until {lasts.until}"
        begun = self.engine.begin(now, "sanitisation", by, text=text, lasts=lasts)
        self.sanitisation = lasts
        return begun

    def end_sanitisation(self, now: Moment, by: Person) -> list[AlarmBody]:
        """Take the cell out of function check.

        Raises
        ------
        AlarmRefusedError
            If it is not in it.
        """
        if self.sanitisation is None:
            raise AlarmRefusedError("is not under way", subject=f"{self.cell}/sanitisation")
        self.sanitisation = Span.beginning(now, now.utc_ms)
        self._look_at_sanitisation(now)
        return self.engine.advance(now, by={"sanitisation": by})

    def restore(
        self, bodies: Iterable[Mapping[str, Json]], now: Moment, *, before: AlarmEngine | None = None
    ) -> None:
        """Take up the alarms where a run before left them, or the engine before in this one."""
        self.engine.restore(bodies, now, before=before)
        if self.engine.present("sanitisation"):
            self.sanitisation = self.engine.lasts("sanitisation")
        if self.engine.present("no-result"):  # none has come since
            self._owed_utc_ms = 0


def _what_failed(body: Mapping[str, Json]) -> str:
    reasons = ", ".join(each["reason"] for each in body.get("refusals", ()))
    kind = f"{body['method']} check" if body["record"] == "check" else body["record"]
    return f"{kind} of {body['at']} did not pass{reasons and f': {reasons}'}"


def _shown(ph: float | None) -> str:
    return "not known" if ph is None else f"{ph:.2f}"


def _counted(rejected: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {label}" for label, count in rejected.items())


def _limits(low: float | None, high: float | None, unit: str) -> str:
    ends: Iterable[str] = [
        f"{word} {value:g} {unit}" for word, value in (("low", low), ("high", high)) if value is not None
    ]
    return f"; limits {', '.join(ends)}" if ends else ""
