"""Completion in bash of words that contain a sign of equality.

bash breaks the line at ``=``: it passes ``low_side=no`` as three words and replaces only the
last. Here the three become one again for the command, and the answers lose what stands before.
"""

from typing import Any

from click.shell_completion import BashComplete, CompletionItem


class WholeWords(BashComplete):
    """Completion for bash that sees ``name=state`` as one word."""

    _behind = ""  # what bash leaves in place of the word

    def get_completion_args(self) -> tuple[list[str], str]:
        """Words before the one being completed, and that word, as they were typed."""
        words = super().get_completion_args()
        joined = join_equals([*words[0], words[1]])
        self._behind = joined[-1][: joined[-1].rfind("=") + 1]
        return joined[:-1], joined[-1]

    def format_completion(self, item: CompletionItem[Any]) -> str:
        """Without the part of the word that bash leaves in place."""
        return f"{item.type},{str(item.value).removeprefix(self._behind)}"


def join_equals(words: list[str]) -> list[str]:
    """Words that bash broke at a sign of equality, put together again.

    >>> join_equals(["saw", "3", "sample_foam", "=", "bri"])
    ['saw', '3', 'sample_foam=bri']
    >>> join_equals(["--book", "=", ""])
    ['--book=']
    """
    joined: list[str] = []
    glue = False
    for word in words:
        if joined and (word == "=" or glue):
            joined[-1] += word
        else:
            joined.append(word)
        glue = word == "="
    return joined
