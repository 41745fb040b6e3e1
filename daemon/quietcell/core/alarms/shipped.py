"""The alarm table as shipped: cause, consequence, what to do, how long one has.

Everything in it can be changed in the configuration. Delays and times are common practice for water
loops that change over minutes, no source.
"""

from typing import Final

from quietcell.core.alarms.rule import AlarmRule, Priority
from quietcell.core.electrode.condition import Signal

_H, _M, _L = Priority.HIGH, Priority.MEDIUM, Priority.LOW
_NONE, _MAINTAIN, _OUTSIDE = Signal.NONE, Signal.MAINTENANCE_REQUIRED, Signal.OUT_OF_SPECIFICATION
_CHECK, _FAILURE = Signal.FUNCTION_CHECK, Signal.FAILURE
_MIN, _HOUR, _DAY = 60.0, 3600.0, 86_400.0
_SILENT, _HOT, _STOPPED = "meter-silent", "sanitisation", "flow-stopped"
_NO_WATER = (_SILENT, _HOT, _STOPPED)
INGRESS: Final = ("co2-ingress", "acidic-ingress", "base-ingress", "salt-ingress")

CELL_ALARMS: Final = (
    AlarmRule(
        name="sanitisation", title="Sanitisation under way", priority=_L, condition=_CHECK,
        cause="Someone put the cell into sanitisation for a hot or chemical cycle.",
        consequence="Values do not describe the water; other alarms of the cell keep quiet.",
        what_to_do="End it when the cycle is over and the line has been rinsed. Lines may be hot: follow "
        "the site's rules.",
        respond_within_s=4 * _HOUR,
    ),
    AlarmRule(
        name="meter-silent", title="Meter silent", priority=_H, condition=_FAILURE,
        cause="Cable, power or port of the meter; its output switched off or in another form.",
        consequence="Nothing is measured and an ingress of air goes unseen.",
        what_to_do="Check power and plug of the meter, then `quietcell ports` for the port's name. Where "
        "lines come that cannot be read: speed and form of its output.",
        respond_within_s=30 * _MIN, on_delay_s=10.0, off_delay_s=5.0,
    ),
    AlarmRule(
        name="readings-too-sparse", title="Readings too far apart", priority=_M, condition=_OUTSIDE,
        cause="The meter sends more seldom than the criterion's `max_gap_s` allows, or readings get lost.",
        consequence="No value can be accepted: what happens between two readings is not known.",
        what_to_do="Let the meter send more often; or give a criterion with a longer `max_gap_s` and a "
        "`window_s` that holds `min_readings` so far apart.",
        respond_within_s=_DAY, suppressed_by=(_SILENT, _HOT),
    ),
    AlarmRule(
        name="sensor-fault", title="Sensor fault", priority=_H, condition=_FAILURE,
        cause="Electrode or thermometer open, shorted, unplugged or out of the water.",
        consequence="No value can be accepted.",
        what_to_do="Check the plug for moisture and the electrode for cracks and air bubbles. Glass breaks: "
        "wear gloves.",
        respond_within_s=_HOUR, on_delay_s=30.0, off_delay_s=30.0, suppressed_by=(_SILENT, _HOT),
    ),
    AlarmRule(
        name="flow-stopped", title="Flow stopped", priority=_H, condition=_OUTSIDE,
        cause="Closed valve, empty line, clogged filter, stopped pump.",
        consequence="The electrode sees old water that takes up air and electrolyte.",
        what_to_do="Look at the sample valve, then at filter and pump. The line may be under pressure.",
        respond_within_s=30 * _MIN, on_delay_s=60.0, off_delay_s=30.0, suppressed_by=(_SILENT, _HOT),
    ),
    AlarmRule(
        name="flow-out-of-band", title="Flow out of band", priority=_M, condition=_OUTSIDE,
        cause="Valve moved, filter loading, pressure of the loop changed.",
        consequence="Determinations are refused; streaming potentials shift the reading.",
        what_to_do="Set the sample valve back into the band of the criterion.",
        respond_within_s=2 * _HOUR, on_delay_s=120.0, off_delay_s=60.0, deadband=2.0,
        suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="temperature", title="Temperature out of limits", priority=_M, condition=_OUTSIDE,
        cause="Cooler or heater of the sample, hot cycle not announced, thermometer.",
        consequence="Results at this temperature are harder to compare; hot water blinds the detector.",
        what_to_do="Look at the sample cooler and the loop's temperature. Do not touch hot lines.",
        respond_within_s=2 * _HOUR, on_delay_s=120.0, off_delay_s=60.0, deadband=0.3,
        suppressed_by=(*_NO_WATER, "sensor-fault"),
    ),
    AlarmRule(
        name="co2-ingress", title="Carbon dioxide suspected", priority=_H, condition=_OUTSIDE,
        cause="Air gets in at a fitting, a tank vent or a breather filter; or the water itself changed.",
        consequence="pH falls and conductivity rises without any fault of the electrode; results carry the "
        "caveat.",
        what_to_do="Look for air at the fittings between sample point and cell first, then at tank vent and "
        "breather filter; a flow test tells which (`quietcell check` with `--flow-test`).",
        respond_within_s=_HOUR, suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="acidic-ingress", title="Acidic ingress suspected", priority=_H, condition=_OUTSIDE,
        cause="Carbon dioxide or a trace of strong acid; pH and conductivity cannot tell them apart.",
        consequence="The water may be out of its limits.",
        what_to_do="Look for air at the fittings, then for rests of cleaning acid. Take a sample.",
        respond_within_s=_HOUR, suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="base-ingress", title="Basic ingress suspected", priority=_H, condition=_OUTSIDE,
        cause="Rests of a basic cleaner, ammonia, a resin that gives off amines.",
        consequence="The water may be out of its limits.",
        what_to_do="Ask what was cleaned or regenerated last. Take a sample.",
        respond_within_s=_HOUR, suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="salt-ingress", title="Salt ingress suspected", priority=_H, condition=_OUTSIDE,
        cause="A resin bed that breaks through, feed water past a membrane, sea water in the building.",
        consequence="Conductivity leaves its limits.",
        what_to_do="Compare with the loop's own conductivity meter; look at polisher and membrane.",
        respond_within_s=_HOUR, suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="unexplained-change", title="Change of unknown cause", priority=_M, condition=_OUTSIDE,
        cause="The data do not tell a leak from an ageing junction or another cause.",
        consequence="Results may be off until the cause is known.",
        what_to_do="Look for air at the fittings, and check the electrode in a buffer afterwards.",
        respond_within_s=4 * _HOUR, suppressed_by=(*_NO_WATER, *INGRESS),
    ),
    AlarmRule(
        name="electrical-disturbance", title="Electrical disturbance", priority=_L, condition=_MAINTAIN,
        cause="Earth loop, pump, streaming potential, damaged screen of the cable.",
        consequence="The potential is shifted while the water is unchanged.",
        what_to_do="Note which pump or valve moved. Check screen and earthing; mains work is for licensed "
        "people.",
        respond_within_s=_DAY, suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="conductivity-contradiction", title="pH and conductivity contradict each other", priority=_M,
        condition=_OUTSIDE,
        cause="Junction potential, drifting electrode, wrong conductivity cell constant.",
        consequence="Determinations are refused: so few ions cannot give such a pH.",
        what_to_do="Check the electrode in a buffer and the conductivity cell against another meter.",
        respond_within_s=4 * _HOUR, suppressed_by=(*_NO_WATER, *INGRESS, "sensor-fault"),
    ),
    AlarmRule(
        name="no-result", title="No result in time", priority=_M, condition=_OUTSIDE,
        cause="The reading does not come to rest, or something speaks against every value.",
        consequence="There is no current result; the last one is old.",
        what_to_do="Open the last refused determination and read what it lacked.",
        respond_within_s=2 * _HOUR, on_delay_s=10.0,
        suppressed_by=(*_NO_WATER, "sensor-fault", "flow-out-of-band", "temperature",
                       "conductivity-contradiction", "not-calibrated", "calibration-expired",
                       "check-failed"),
    ),
    AlarmRule(
        name="detector-blind", title="Ingress would go unseen", priority=_L, condition=_OUTSIDE,
        cause="Hot water, much carbonate already in it, or no conductivity: a leak hardly moves the pH.",
        consequence="Carbon dioxide that gets in is not noticed.",
        what_to_do="Cool the sample, or look at the degassing of the loop.",
        respond_within_s=_DAY, on_delay_s=600.0, off_delay_s=60.0, suppressed_by=(*_NO_WATER, *INGRESS),
    ),
    AlarmRule(
        name="ph-out-of-limits", title="pH out of limits", priority=_H, condition=_OUTSIDE,
        cause="The water changed, or something got into it.",
        consequence="The water may not be fit for use.",
        what_to_do="Take a sample for the laboratory and tell whoever uses the water.",
        respond_within_s=30 * _MIN, deadband=0.05, suppressed_by=(_HOT,),
    ),
    AlarmRule(
        name="conductivity-out-of-limits", title="Conductivity out of limits", priority=_H,
        condition=_OUTSIDE,
        cause="The water changed, or the conductivity cell is fouled.",
        consequence="The water may not be fit for use.",
        what_to_do="Compare with the loop's own conductivity meter and take a sample.",
        respond_within_s=30 * _MIN, on_delay_s=60.0, off_delay_s=60.0, deadband=0.02,
        suppressed_by=_NO_WATER,
    ),
    AlarmRule(
        name="conductivity-stage-1", title="Conductivity above the stage 1 table", priority=_M,
        condition=_OUTSIDE,
        cause="More ions than the table of USP <645> allows at this temperature without further tests.",
        consequence="The water needs the further stages of the test before use.",
        what_to_do="Take a sample for the further stages.",
        respond_within_s=2 * _HOUR, on_delay_s=60.0, off_delay_s=60.0, deadband=0.02,
        suppressed_by=(*_NO_WATER, "conductivity-out-of-limits"),
    ),
    AlarmRule(
        name="not-calibrated", title="Not calibrated", priority=_M, condition=_OUTSIDE,
        cause="The cell has never been calibrated with this electrode.",
        consequence="It shows no pH and every determination is refused.",
        what_to_do="Calibrate with `quietcell calibrate`.",
        respond_within_s=4 * _HOUR, suppressed_by=(_HOT,),
    ),
    AlarmRule(
        name="calibration-due", title="Calibration due soon", priority=_L, condition=_MAINTAIN,
        cause="The calibration expires soon.",
        consequence="After its last day nothing is accepted.",
        what_to_do="Plan a calibration; have fresh buffers at hand.",
        respond_within_s=7 * _DAY, suppressed_by=("calibration-expired",),
    ),
    AlarmRule(
        name="calibration-expired", title="Calibration expired", priority=_M, condition=_OUTSIDE,
        cause="Its last day has passed.",
        consequence="Determinations are refused.",
        what_to_do="Calibrate with `quietcell calibrate`.",
        respond_within_s=4 * _HOUR, suppressed_by=(_HOT,),
    ),
    AlarmRule(
        name="check-due", title="Check due", priority=_L, condition=_MAINTAIN,
        cause="The last check is longer ago than the site wants.",
        consequence="An electrode that drifts goes unseen for longer.",
        what_to_do="Check the electrode with `quietcell check`.",
        respond_within_s=2 * _DAY, suppressed_by=("check-failed", "not-calibrated"),
    ),
    AlarmRule(
        name="check-failed", title="Calibration or check failed", priority=_H, condition=_OUTSIDE,
        cause="The electrode does not give what the buffer or another meter says, or the thermometer not "
        "what another shows.",
        consequence="Earlier results are in doubt.",
        what_to_do="Repeat it, with a fresh buffer or another thermometer. Off in pH again: clean the "
        "electrode and calibrate (acids burn: wear gloves and goggles). Off in temperature: mend the "
        "thermometer, and let a check of it pass; a calibration is none.",
        respond_within_s=2 * _HOUR,
    ),
    AlarmRule(
        name="electrode-condition", title="Electrode wants care", priority=_L, condition=_MAINTAIN,
        cause="Slope, zero, response, noise or junction left the span in which nothing is to be done.",
        consequence="Results take longer and become less certain.",
        what_to_do="Read the finding; clean or regenerate the electrode, or order a new one.",
        respond_within_s=7 * _DAY,
    ),
    AlarmRule(
        name="electrolyte-due", title="Electrolyte due", priority=_L, condition=_MAINTAIN,
        cause="The reference was last filled longer ago than the site wants.",
        consequence="The junction runs dry and drifts.",
        what_to_do="Fill the reference electrolyte, then `quietcell note CELL --work electrolyte-refilled`.",
        respond_within_s=2 * _DAY,
    ),
    AlarmRule(
        name="cleaning-due", title="Cleaning due", priority=_L, condition=_MAINTAIN,
        cause="The electrode was last cleaned longer ago than the site wants.",
        consequence="Membrane and junction answer more slowly and drift.",
        what_to_do="Clean the electrode, then `quietcell note CELL --work cleaned`. Acids burn and glass "
        "breaks: follow the site's rules.",
        respond_within_s=7 * _DAY,
    ),
    AlarmRule(
        name="tubing-due", title="Tubing due", priority=_L, condition=_MAINTAIN,
        cause="The tubing of the sample was last changed longer ago than the site wants.",
        consequence="Old tubing lets air through and grows films.",
        what_to_do="Change it, then `quietcell note CELL --work tubing-changed`. The line may be hot or "
        "under pressure: follow the site's rules.",
        respond_within_s=7 * _DAY,
    ),
)  # fmt: skip
"""Alarms every cell has."""

DAEMON_ALARMS: Final = (
    AlarmRule(
        name="ledger-trouble", title="Ledger in trouble", priority=_H, condition=_FAILURE,
        cause="The disk is full, failing or read-only.",
        consequence="Measuring stops: nothing may be told that is not recorded.",
        what_to_do="Free space on the disk of the ledger; look at the log for the disk's error.",
        respond_within_s=30 * _MIN, off_delay_s=60.0, deadband=100.0,
    ),
    AlarmRule(
        name="broker-away", title="Broker away", priority=_M, condition=_MAINTAIN,
        cause="Network, broker or its certificate.",
        consequence="Results wait in the ledger; receivers see nothing new.",
        what_to_do="Look at `quietcell status` and the network; nothing is lost meanwhile.",
        respond_within_s=4 * _HOUR, on_delay_s=60.0, off_delay_s=10.0, suppressed_by=("ledger-trouble",),
    ),
    AlarmRule(
        name="files-not-written", title="Files not written", priority=_M, condition=_MAINTAIN,
        cause="The folder of the daily files is full, gone or not writable.",
        consequence="Results wait in the ledger; readers of the files see nothing new.",
        what_to_do="Look at the folder's rights and space.",
        respond_within_s=4 * _HOUR, on_delay_s=60.0, off_delay_s=10.0, suppressed_by=("ledger-trouble",),
    ),
    AlarmRule(
        name="publish-parked", title="Broker refused a record", priority=_M, condition=_MAINTAIN,
        cause="The broker's rules do not allow the topic or the size.",
        consequence="Receivers lack what was set aside until it is sent again.",
        what_to_do="Correct the broker's rules, then `quietcell resend`.",
        respond_within_s=_DAY,
    ),
    AlarmRule(
        name="clock-stepped", title="Clock stepped", priority=_L, condition=_MAINTAIN,
        cause="The time service corrected the clock, or someone set it.",
        consequence="Times before and after do not fit together; elapsed times are not affected.",
        what_to_do="Check the time service of the machine.",
        respond_within_s=_DAY,
    ),
    AlarmRule(
        name="clock-unsynchronised", title="Clock not synchronised", priority=_L, condition=_MAINTAIN,
        cause="No time service reaches the machine.",
        consequence="Times in records may be off; results say so.",
        what_to_do="Check network and time service.",
        respond_within_s=_DAY, on_delay_s=1800.0, off_delay_s=60.0,
    ),
)  # fmt: skip
"""Alarms of the daemon itself."""

ALARM_NAMES: Final = tuple(rule.name for rule in (*CELL_ALARMS, *DAEMON_ALARMS))
