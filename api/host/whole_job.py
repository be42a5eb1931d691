"""From the card to the signature: which hands each step of a job wants."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from api.host.builder import Builder, BuilderGaveUp, part_in

Fields = dict[str, Any]
MOST_ROUNDS = 60


def begin_job(builder: Builder, entry: Fields, cams: Sequence[Fields], tolerance_deg: float = 1.0) -> int:
    """Enter the engine and the card that lie at the bench, and begin a job on them; give its number."""
    scenario = builder.simulator.get("/scenario")
    engine = {"engine": engine_of(scenario["engine"], cams)}
    card = {"card": card_of(scenario["card"], tolerance_deg)}
    told = {
        name: builder.post(f"/api/{name}s", kept)["id"] for name, kept in (("engine", engine), ("card", card))
    }
    body = entry | {"engine_id": told["engine"], "card_id": told["card"]}
    builder.job_id = int(builder.post("/api/jobs", body)["id"])
    return builder.job_id


def engine_of(table: Fields, cams: Sequence[Fields]) -> Fields:
    """Give a scenario's engine as it is entered."""
    order = [str(number) for number in table["firing_order"]]
    return {
        "name": table["name"],
        "cylinders": sorted(order),
        "firing_order": order,
        "firing_intervals_deg": list(table.get("firing_intervals_deg", ())),
        "stroke_mm": table["stroke_mm"],
        "rod_mm": table["rod_mm"],
        "pin_offset_mm": table.get("pin_offset_mm", 0.0),
        "pin_side_known": True,
        "cams": list(cams),
    }


def cam_of(name: str, valves: Sequence[str]) -> Fields:
    """Give a cam as it is entered, on a pulley with slots."""
    slots = {"kind": "slots", "bolt_circle_radius_mm": 42.0, "slot_each_way_cam_deg": 6.0}
    return {"name": name, "valves": list(valves), "adjuster": slots}


def card_of(table: Fields, tolerance_deg: float) -> Fields:
    """Give a scenario's card as it is entered."""
    sides = {"inlet": table["inlet_atdc_deg"], "exhaust": table["exhaust_btdc_deg"]}
    lobes = {
        valve: {
            "full_lift_deg": full_lift_deg,
            "drop_mm": table.get("drop_mm", 1.27),
            "lift_mm": table[f"{valve}_lift_mm"],
            "checking_clearance_mm": table[f"{valve}_clearance_mm"],
            "rocker_ratio": table.get("rocker_ratio", 1.0),
        }
        for valve, full_lift_deg in sides.items()
    }
    return {"name": table["name"], "way": "full_lift", "tolerance_deg": tolerance_deg} | lobes


def do_the_job(builder: Builder, name: str) -> None:
    """Do what the job wants, step by step, until it is signed by `name`.

    Raises
    ------
    BuilderGaveUp
        A step did not end.
    HandedOver
        A visitor has the crank; called again, it goes on where the job stands.
    """
    for _ in range(MOST_ROUNDS):
        view = builder.job()
        if view["now"] is None:
            return
        step = next(one for one in view["steps"] if one["id"] == view["now"])
        if view["measurement"] is not None and view["measurement"]["state"] == "running":
            builder.press()  # begun before somebody else had the crank
        else:
            _do(builder, step, view, name)
    raise BuilderGaveUp("the job did not come to its end")


def _do(builder: Builder, step: Fields, view: Fields, name: str) -> None:
    """The hands that one step wants."""
    kind, cam = step["kind"], step["cam"]
    if kind == "sign_off":
        builder.post(f"/api/jobs/{builder.job_id}/sign", {"by": name})
    elif kind == "bench_check":
        builder.bench_check()
    elif step["measures"] == "tdc":
        builder.tdc()
    elif step["measures"] == "lobe":
        _lobe(builder, step)
    elif kind == "stroke":
        builder.to_overlap()
    elif kind == "correction":
        builder.correct(cam)
    elif kind in {"valve_to_piston", "room"}:
        builder.push_a_valve()
    elif kind == "verdict" and _is_in(view, cam):
        builder.fact(kind="decided", cam=cam, decision="leave")
    else:
        builder.press()


def _is_in(view: Fields, cam: str) -> bool:
    verdict = next(one for one in view["cams"] if one["cam"] == cam)["verdict"]
    return verdict is not None and verdict["call"] == "in"


def _lobe(builder: Builder, step: Fields) -> None:
    """Nip up or torque first where the guide says so; decide where it asks; else measure."""
    guide = builder.guide_with_a_button()
    if guide["button"].startswith("Move it"):
        builder.press()
        return
    if guide["button"].startswith("Torqued"):
        builder.tighten_torque(step["cam"])
    elif guide["button"].startswith("Nipped"):
        builder.pulley(step["cam"], "tighten")
    builder.lobe_once(part_in(guide["sentence"]) or step["lobes"][0]["touches"])
