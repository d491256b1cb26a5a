"""How hot the processor will get in the customer's room, and the room at which it reaches its limit."""

from __future__ import annotations

from typing import Final

from burnin.calc.acceptance_limit import acceptance_limit
from burnin.calc.guard import Tolerance, decide
from burnin.calc.prediction import Prediction, predict_at_room, room_at_limit
from burnin.calc.refusal import Refusal
from burnin.calc.room_prediction import Fans, SteadyPoint, best_point
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "room_prediction"
_ROOM_C: Final = 32.0
_SAID: Final = frozenset(
    {
        "no-soak",
        "not-steady",
        "inlet-air-not-measured",
        "fans-not-fixed",
        "power-not-steady",
        "clock-not-steady",
        "throttled",
        "room-too-far",
        "soak-too-short",
    }
)
"""Refusals with a sentence of their own; any other is told by its name."""


class RoomPrediction:
    """Made only from measured inlet or room air, steady power and clock, fixed fans and no throttling; refused otherwise.

    What the steady-state rule still leaves to come at the fitted time constant is part of value and uncertainty. A
    refusal decides nothing. Fails only where the whole interval lies beyond the limit, and only if the plan says so.
    """

    spec: Final = CriterionSpec(
        title="Temperature in the customer's room",
        params=(
            Param(name="room_c", default=_ROOM_C, about="room to predict for, degC", low=-10.0, high=60.0),
            Param(
                name="fans",
                default="seen",
                about="fixed: the workshop states that all fans are held; seen: found out from their speeds",
                choices=("seen", "fixed"),
            ),
            Param(
                name="on_beyond",
                default="advise",
                about="What a room beyond the limit means: fail, or advise (not judged, and said)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return the prediction held against the limit and the room at the limit, or one finding why there is none."""
        room_c = float(params.get("room_c", _ROOM_C))
        fans: Fans = "fixed" if params.get("fans") == "fixed" else "seen"
        best = best_point(view, fans=fans)
        if isinstance(best, Refusal):
            return (_refused(best, room_c),)
        limit, limit_from = acceptance_limit(view.opened.plan.limits, best.channel, "cpu")
        values: dict[str, Scalar] = {"limit_from": limit_from}
        found = [_there(best, limit, room_c, values=values, strict=params.get("on_beyond") == "fail")]
        if limit is not None:
            found.append(_at_limit(best, limit, values))
        return tuple(found)


def _refused(refusal: Refusal, room_c: float) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=refusal.slug.replace("-", "_") if refusal.slug in _SAID else "not_supported",
        outcome="inconclusive",
        required=False,
        values={"room_c": room_c, "refusal": refusal.slug.replace("-", " ")},
    )


def _there(
    best: SteadyPoint, limit: float | None, room_c: float, *, values: dict[str, Scalar], strict: bool
) -> Finding:
    hot = predict_at_room(best.point, best.conditions, room_c=room_c)
    if isinstance(hot, Refusal):
        return _refused(hot, room_c)
    slug, outcome = _decided(hot, limit, strict=strict)
    inlet = best.point.inlet_c
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        required=False,
        subject=best.channel.label,
        values={
            **values,
            "room_c": room_c,
            "measured_c": best.point.temp_c.value,
            "inlet_c": inlet.value,
            "inlet_half_k": 2 * inlet.u,
            "inlet_name": best.inlet_name,
            "low_c": hot.low_c,
            "high_c": hot.high_c,
            "rest_k": best.point.rest_k.value,
            "in_stage": best.run.span.name,
        },
        observed=hot.value_c,
        limit=limit,
        unit="degC",
        uncertainty=2 * hot.u_k,
        margin=None if limit is None else limit - hot.value_c,
        evidence=best.run.span.seqs,
    )


def _decided(hot: Prediction, limit: float | None, *, strict: bool) -> tuple[str, Outcome]:
    if limit is None:
        return "no_limit", "inconclusive"
    zone = decide(hot.value_c, hot.u_k, Tolerance(upper=limit), rule="non-binary").outcome
    if zone == "fail":
        return "beyond", "fail" if strict else "inconclusive"
    return ("within", "pass") if zone == "pass" else ("too_near", "inconclusive")


def _at_limit(best: SteadyPoint, limit: float, values: dict[str, Scalar]) -> Finding:
    """Return the room at which the limit is reached; for information, it decides nothing."""
    room = room_at_limit(best.point, best.conditions, limit_c=limit)
    told: dict[str, Scalar] = {**values, "limit_c": limit, "inlet_c": best.point.inlet_c.value}
    if isinstance(room, Refusal):
        farther_k = room.observed or 0.0
        slug = "limit_room_far" if farther_k > 0 else "limit_room_passed"
        told["farther_k"] = abs(farther_k)
    else:
        slug = "limit_room"
        told.update({"low_c": room.low_c, "high_c": room.high_c})
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome="pass" if slug != "limit_room_passed" else "inconclusive",
        required=False,
        subject=best.channel.label,
        values=told,
        observed=room.value_c if isinstance(room, Prediction) else None,
        unit="degC",
        uncertainty=2 * room.u_k if isinstance(room, Prediction) else None,
        evidence=best.run.span.seqs,
    )


PLUGIN: Final = RoomPrediction()
