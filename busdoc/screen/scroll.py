"""What is in sight: the uppermost controller and part, and the stretch of time that the strip shows."""

from busdoc.live.view import SessionView
from busdoc.screen.areas.harness import most_first
from busdoc.screen.areas.roll_call import FOOT_ROWS, rows_below
from busdoc.screen.areas.strip import WINDOWS_S
from busdoc.screen.keys import Command
from busdoc.times import SECOND_NS

__all__ = ["Scroll"]


class Scroll:
    """Keeps the scroll within what there is; `room` is told by the screen when its size changes."""

    def __init__(self) -> None:
        self.controller = 0
        self.part = 0
        self.back_ns = 0
        self._zoom = WINDOWS_S.index(120)
        self._roll_height = self._tree_height = 24

    @property
    def length_s(self) -> int:
        """How long a stretch the strip shows."""
        return WINDOWS_S[self._zoom]

    def room(self, *, roll_height: int, tree_height: int) -> bool:
        """Take the heights of the areas, 0 for one that is not shown; say whether they changed."""
        before = self._roll_height, self._tree_height
        self._roll_height, self._tree_height = roll_height or before[0], tree_height or before[1]
        return before != (self._roll_height, self._tree_height)

    def move(self, command: Command, view: SessionView) -> None:
        """Move by one."""
        step_ns = self.length_s * SECOND_NS // 4
        match command:
            case Command.UP:
                self.controller -= 1
            case Command.DOWN:
                self.controller += 1
            case Command.TREE_UP:
                self.part -= 1
            case Command.TREE_DOWN:
                self.part += 1
            case Command.NEARER:
                self._zoom = max(0, self._zoom - 1)
            case Command.FURTHER:
                self._zoom = min(len(WINDOWS_S) - 1, self._zoom + 1)
            case Command.EARLIER:
                self.back_ns += step_ns
            case Command.LATER:
                self.back_ns -= step_ns
            case Command.NOW:
                self.back_ns = 0
            case _:
                pass
        self.clamp(view)

    def follow(self, view: SessionView, controller: str) -> None:
        """Bring a controller into sight."""
        names = [row.name for row in view.controllers]
        if controller not in names:
            return
        k, room = names.index(controller), max(1, self._roll_height - 1 - FOOT_ROWS)
        if k < self.controller:
            self.controller = k
        elif k >= self.controller + room:
            self.controller = k - room + 1

    def follow_part(self, view: SessionView, part: str) -> None:
        """Bring a part into sight, with what it hangs on above it."""
        names = [row.name for row in view.harness]
        room = max(1, self._tree_height - 2)
        if part in names and not self.part <= names.index(part) < self.part + room:
            self.part = names.index(part) - room // 2
            self.clamp(view)

    def clamp(self, view: SessionView) -> None:
        """Keep within what there is."""
        self.controller = max(0, min(self.controller, rows_below(len(view.controllers), self._roll_height)))
        self.part = max(0, min(self.part, most_first(len(view.harness), self._tree_height)))
        self.back_ns = max(0, min(self.back_ns, view.now_ns - view.start_ns))
