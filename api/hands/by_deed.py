"""What was done at the bench counts as a press would, once it has stood so for a while; see `api.guide.deeds`."""

from __future__ import annotations

from api.guide import Deed, GuideContext, deed
from api.hands.hands_free import HandsFree
from api.jobs import Jobs
from capture.base import wire_now_ns

BY_ITSELF = {"by_itself": True}


class ByDeed:
    """Watches what hands do in the open job; called from the event loop only."""

    def __init__(self, jobs: Jobs, hands_free: HandsFree) -> None:
        self._jobs = jobs
        self._hands_free = hands_free
        self._seen: tuple[int, int, str] | None = None
        self._since_ns = 0

    async def follow(self, context: GuideContext | None) -> None:
        """Do what a deed says, where one has stood for long enough."""
        found = None if context is None or not self._hands_free.on else deed(context)
        if context is None or found is None:
            self._seen = None
            return
        seen, now_ns = (context.job_id, len(context.facts), found.name), wire_now_ns()
        if seen != self._seen:
            self._seen, self._since_ns = seen, now_ns
        stood_ns = now_ns - max(self._since_ns, self._hands_free.stands_since_ns() if found.rest_s else 0)
        if stood_ns < found.rest_s * 1e9:
            return
        if found.gauge and not self._hands_free.followed_and_left_alone(found.gauge):
            return
        self._seen = None
        await self._do(context, found)

    async def _do(self, context: GuideContext, found: Deed) -> None:
        if found.counts_from_deg is not None:
            self._hands_free.counts_from(found.counts_from_deg)
        for payload, source in found.action.facts:
            await self._jobs.add(context.job_id, payload, source=(source or {}) | BY_ITSELF)
        if found.action.forget or found.action.stage is not None:
            await self._jobs.set_stage(context.job_id, found.action.stage)
        if found.sentence:
            lobe = None if context.step is None else context.lobes.get(context.step.cam)
            self._hands_free.say(
                "" if lobe is None else lobe.gauge, f"by_itself_{found.name}", found.sentence
            )
