"""What is said of a bead after it was measured: the document judged and coached anew, without its photo."""

from __future__ import annotations

from toeline.causes import rank_causes
from toeline.criteria import load_criteria
from toeline.judgement import judge
from toeline.result import Result, Settings

#: What may be said later: nothing that the measures themselves were taken by.
LATER = frozenset({"criteria", "gauge", "welding"})


def with_settings(result: Result, settings: Settings) -> Result:
    """The same measures under other settings, which may differ in ``criteria``, ``gauge`` and ``welding`` alone.

    Raises:
        ValueError: another setting differs: the photo has to be measured anew.
        ToelineError: a setting makes no sense.
    """
    if settings == result.settings:
        return result
    before, now = result.settings.model_dump(exclude=set(LATER)), settings.model_dump(exclude=set(LATER))
    if before != now:
        raise ValueError(f"measure anew: {', '.join(sorted(k for k in now if before[k] != now[k]))} differ")
    said = result.model_copy(update={"settings": settings, "judgement": None})
    if settings.criteria is not None:
        said = said.model_copy(update={"judgement": judge(said, load_criteria(settings.criteria))})
    if said.stopped:
        return said
    found = rank_causes(said)
    return said.model_copy(
        update={
            "causes": found.causes,
            "causes_why": found.causes_why,
            "coaching": found.coaching,
            "advice": found.advice,
        }
    )
