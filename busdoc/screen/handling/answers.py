"""What was answered to a question, by its kind."""

from busdoc.screen.asking import Asking, Choice, Picking, Writing

__all__ = ["picked", "written"]


def picked(asking: Asking) -> Choice:
    """Give what was picked of some choices."""
    assert isinstance(asking, Picking)
    assert asking.answer is not None
    return asking.answer


def written(asking: Asking) -> str:
    """Give the text that was written; empty: none was."""
    return asking.text.strip() if isinstance(asking, Writing) else ""
