"""What the live bench can be told, as checked JSON bodies: one model and one function for each.

Every function carries out a body on a `LiveBench` and gives back plain data; what cannot be done raises a
`CommandError` with one sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from simulated_devices.live.bench import LiveBench
from simulated_devices.live.bench_state import state
from simulated_devices.machine import MM_PER_INCH, Angle, CommandError, Manner, Move, Speed
from simulated_devices.wire import LINE_FAULTS, LineFault

Wait = Annotated[float, Field(ge=0.0, le=600.0)]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class HandBody(_Body):
    """``POST /hand``: a list of `moves`, or one thing to `do`; `wait_s` answers only when it is done.

    `do`: ``stop``, ``pause``, ``resume``, ``speed`` (with `speed_deg_s`, for moves to come), ``drag`` (to
    `unwrapped_deg`, again and again while a finger moves).
    """

    do: Literal["stop", "pause", "resume", "speed", "drag"] | None = None
    moves: list[Move] = []
    speed_deg_s: Speed | None = None
    wander: Annotated[float, Field(ge=0.0, le=1.0)] | None = None
    unwrapped_deg: Angle | None = None
    wait_s: Wait = 0.0


class ScriptBody(_Body):
    """``POST /script``: carry out the `step` named (or the next one), or all the `rest` from there."""

    step: str = ""
    rest: bool = False
    wait_s: Wait = 0.0


class GaugeBody(_Body):
    """``POST /gauge``: move a gauge onto something, or press a key of it."""

    gauge: str
    onto: str | None = None
    key: Literal["zero", "unit"] | None = None


class PulleyBody(_Body):
    """``POST /pulley``: ``slacken``, ``turn_cam``, ``tighten``.

    The cam is turned by `by_deg` crank degrees, forward (so earlier) when positive; a clumsy hand adds a
    normal chance of `clumsy_deg`. Tightening may turn the cam by `shift_deg`. While the bolts are slack the
    cam stays where it is when the crank is turned.
    """

    cam: str
    do: Literal["slacken", "turn_cam", "tighten"]
    by_deg: float = 0.0
    clumsy_deg: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0
    shift_deg: Annotated[float, Field(ge=-20.0, le=20.0)] = 0.0
    wait_s: Wait = 0.0


class ValveBody(_Body):
    """``POST /valve``: push a valve on until it touches its piston (`down`), or let it come back."""

    valve: str
    down: bool


class ShaftBody(_Body):
    """``POST /shaft``: pull the crankshaft `out` along its axis as far as it goes, or push it home."""

    out: bool


class BuilderBody(_Body):
    """``POST /builder``: the builder who does a job here by himself, over this interface.

    He says ``begin`` and ``end``; a visitor ``pause``, ``go_on``, and ``let_me``, which hands over the crank.
    `say` is what he is about to do.
    """

    do: Literal["begin", "end", "pause", "go_on", "let_me"] | None = None
    say: Annotated[str | None, Field(max_length=400)] = None


class CableBody(_Body):
    """``POST /cable``: pull a cable, in the middle of a line if asked, or plug it in; or swap two."""

    channel: str
    plugged: bool | None = None
    mid_line: bool = False
    swap_with: str | None = None


class FaultBody(_Body):
    """``POST /fault``: something goes wrong, or with ``clear`` all of a channel's faults go away.

    `kind`: a fault of the wire by name (on `channel`, with `size` where it has one), ``reboot`` of the
    counter, ``encoder_slip`` by `size` degrees, ``knock`` of a gauge by `size` mm, ``freeze`` of a gauge.
    """

    kind: str
    channel: str = "crank"
    size: float | None = None


def hand(bench: LiveBench, body: HandBody) -> dict[str, Any]:
    """Move, stop or steer the hand."""
    live = bench.world.hand
    with bench.world.lock:
        bench.world.advance(bench.clock.now_s())
        if body.speed_deg_s is not None or body.wander is not None:
            live.manner = _manner(live.manner, body)
        if body.do == "stop":
            bench.script.stop()
            live.stop()
        elif body.do in {"pause", "resume"}:
            live.paused = body.do == "pause"
        elif body.do == "drag":
            if body.unwrapped_deg is None:
                raise CommandError("dragging needs `unwrapped_deg`, the crank angle dragged to; send it")
            bench.script.stop()
            live.drag(_near(live.angle_deg, body.unwrapped_deg))
        elif body.do == "speed" and body.speed_deg_s is None:
            raise CommandError("a speed needs `speed_deg_s`; send it")
    if body.moves:
        bench.script.stop()
        bench.play(body.moves)
    return _after(bench, body.wait_s)


def _manner(now: Manner, body: HandBody) -> Manner:
    speed = body.speed_deg_s if body.speed_deg_s is not None else now.speed_deg_s
    return replace(now, speed_deg_s=speed, wander=now.wander if body.wander is None else body.wander)


def _near(now_deg: float, to_deg: float) -> float:
    if abs(to_deg - now_deg) > 7200.0:
        raise CommandError(f"{to_deg:g} is more than twenty turns away; drag the crank a little at a time")
    return to_deg


def builder(bench: LiveBench, body: BuilderBody) -> dict[str, Any]:
    """Let the builder work, rest, or stand aside."""
    if body.do is not None:
        bench.builder.told(body.do)
        with bench.world.lock:
            bench.world.hand.paused = body.do == "pause"
        if body.do == "let_me":
            bench.script.stop()
            bench.world.hand.stop()
    if body.say is not None:
        bench.builder.say = body.say
    return state(bench)


def script(bench: LiveBench, body: ScriptBody) -> dict[str, Any]:
    """Carry out steps of the scenario's script."""
    bench.script.start(body.step, rest=body.rest)
    return _after(bench, body.wait_s)


def gauge(bench: LiveBench, body: GaugeBody) -> dict[str, Any]:
    """Move a gauge or press one of its keys."""
    line = bench.gauge(body.gauge)
    if body.onto is not None:
        bench.move_gauge(body.gauge, body.onto)
    if body.key == "zero":
        line.press_zero()
    elif body.key == "unit":
        was = line.spoilt.unit_factor
        factor = 1.0 / MM_PER_INCH if line.gauge.unit == "mm" else MM_PER_INCH
        line.spoilt.unit_factor = factor if was == 1.0 else 1.0
    return state(bench)


def pulley(bench: LiveBench, body: PulleyBody) -> dict[str, Any]:
    """Slacken, turn, tighten."""
    bench.world.advance(bench.clock.now_s())
    if body.do == "slacken":
        bench.world.slacken(body.cam)
    elif body.do == "turn_cam":
        clumsy = bench.chance.normal(0.0, body.clumsy_deg) if body.clumsy_deg else 0.0
        bench.world.turn_cam(body.cam, body.by_deg + float(clumsy))
    else:
        bench.follow()
        bench.world.tighten(body.cam, body.shift_deg)
    until = bench.clock.now_s() + body.wait_s
    while bench.world.cam(body.cam).to_move_deg and bench.clock.now_s() < until:
        bench.clock.sleep(0.02)
        bench.world.advance(bench.clock.now_s())
    return state(bench)


def valve(bench: LiveBench, body: ValveBody) -> dict[str, Any]:
    """Push a valve down or let it go."""
    bench.follow()
    bench.world.push_valve(body.valve, down=body.down)
    return state(bench)


def shaft(bench: LiveBench, body: ShaftBody) -> dict[str, Any]:
    """Push and pull the crankshaft."""
    bench.follow()
    bench.world.push_crank(out=body.out)
    return state(bench)


def cable(bench: LiveBench, body: CableBody) -> dict[str, Any]:
    """Pull, plug in, or swap two names."""
    line = bench.line(body.channel)
    if body.plugged is not None:
        line.set_plugged(body.plugged, body.mid_line)
    if body.swap_with is not None:
        other = bench.line(body.swap_with)
        if not line.port.plugged or not other.port.plugged:
            raise CommandError("two cables can be swapped only while both are plugged in; plug them in first")
        line.port.swap_links(other.port)
    return state(bench)


def fault(bench: LiveBench, body: FaultBody) -> dict[str, Any]:
    """Let something go wrong."""
    line = bench.line(body.channel)
    if body.kind == "clear":
        with line.lock:
            line.faults.clear()
        if body.channel in bench.gauges:
            bench.gauge(body.channel).spoilt.frozen = False
    elif body.kind in LINE_FAULTS:
        with line.lock:
            line.faults.append(_line_fault(body))
    elif body.kind == "reboot":
        bench.crank.reboot()
    elif body.kind == "encoder_slip":
        bench.world.coupling_slip_deg += body.size if body.size is not None else 3.0
    elif body.kind == "knock":
        bench.gauge(body.channel).knock(body.size if body.size is not None else 0.2)
    elif body.kind == "freeze":
        bench.gauge(body.channel).spoilt.frozen = True
    else:
        known = ", ".join([*LINE_FAULTS, "reboot", "encoder_slip", "knock", "freeze", "clear"])
        raise CommandError(f"there is no fault {body.kind!r}; there are {known}")
    return state(bench)


def _line_fault(body: FaultBody) -> LineFault:
    if body.size is None:
        return LINE_FAULTS[body.kind]()
    names = {"corrupted": "rate", "lost": "rate", "head_lost": "rate", "late": "by_s"}
    name = names.get(body.kind, "size_bytes")
    if body.kind not in {*names, "bursts", "no_line_end"}:
        raise CommandError(f"the fault {body.kind!r} has no size; leave `size` out")
    size = int(body.size) if name == "size_bytes" else body.size
    return LINE_FAULTS[body.kind](**{name: size})


def _after(bench: LiveBench, wait_s: float) -> dict[str, Any]:
    done = bench.wait(wait_s) if wait_s else None
    return state(bench) | ({} if done is None else {"done": done})


_COMMANDS: Mapping[str, tuple[type[_Body], Callable[[LiveBench, Any], dict[str, Any]]]] = {
    "hand": (HandBody, hand),
    "script": (ScriptBody, script),
    "gauge": (GaugeBody, gauge),
    "pulley": (PulleyBody, pulley),
    "valve": (ValveBody, valve),
    "shaft": (ShaftBody, shaft),
    "builder": (BuilderBody, builder),
    "cable": (CableBody, cable),
    "fault": (FaultBody, fault),
}
COMMAND_NAMES = tuple(_COMMANDS)
HANDS_ON = frozenset({"hand", "script", "gauge", "pulley", "valve", "shaft"})
"""What one pair of hands does at a time: the builder's, or a visitor's."""


def carry_out(bench: LiveBench, name: str, content: bytes) -> dict[str, Any]:
    """Check a JSON body and carry it out.

    Raises
    ------
    CommandError
        With one sentence.
    """
    model, function = _COMMANDS[name]
    try:
        body = TypeAdapter(model).validate_json(content or b"{}")
    except ValidationError as error:
        raise CommandError(_sentence(name, error)) from error
    return function(bench, body)


def _sentence(name: str, error: ValidationError) -> str:
    problem = error.errors()[0]
    where = ".".join(str(part) for part in problem["loc"]) or "the body"
    said = str(problem["msg"]).removeprefix("Value error, ")
    return f"/{name}: {where}: {said[:1].lower()}{said[1:]}; send a JSON object as GET /help describes it"


def schemas() -> dict[str, Any]:
    """JSON schema of every command's body."""
    return {f"POST /{name}": model.model_json_schema() for name, (model, _) in _COMMANDS.items()}
