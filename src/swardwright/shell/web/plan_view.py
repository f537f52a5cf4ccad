"""The plan view as a page element: an inline SVG that pans and zooms."""

from __future__ import annotations

from collections.abc import Callable

from nicegui.element import Element
from nicegui.events import GenericEventArguments


class PlanView(Element, component="plan_view.js"):  # type: ignore[call-arg,misc,unused-ignore]
    """Shows a drawing of ``report_map.plan_view`` and says which weed was picked."""

    def __init__(self, svg: str, on_pick: Callable[[str], None]) -> None:
        super().__init__()
        self._props["svg"] = svg

        def picked(event: GenericEventArguments) -> None:
            if isinstance(event.args, str):
                on_pick(event.args)

        self.on("pick", picked)

    def choose(self, weed_id: str) -> None:
        """Mark a weed and bring it to the middle."""
        self.run_method("choose", weed_id, True)
