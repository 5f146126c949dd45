"""A sentence for people, made in one place and said in another, in the listener's language."""

from __future__ import annotations

from server.words import Speech, pointed, texts


class Sentence(str):
    """A text of `web/texts` with its values, which can be said in every language.

    It reads, compares and is logged as the English one. Values are filled in as they are (names,
    addresses, files); a float gets the language's decimal point, and a Sentence its language.
    """

    key: str
    values: dict[str, str | int | float]

    def __new__(cls, key: str, /, **values: str | int | float) -> Sentence:
        """The text of that key."""
        template = texts("en")[key]
        self = super().__new__(cls, template.format(**{k: _plain(v) for k, v in values.items()}))
        self.key, self.values = key, values
        return self

    def said(self, speech: Speech) -> str:
        """The same in the language of `speech`."""
        values = {name: _told(value, speech) for name, value in self.values.items()}
        return texts(speech.language)[self.key].format(**values)


def said(text: str, speech: Speech) -> str:
    """A Sentence in the language of `speech`; any other text as it is."""
    return text.said(speech) if isinstance(text, Sentence) else text


def _told(value: str | int | float, speech: Speech) -> str:
    if isinstance(value, str):
        return said(value, speech)
    return pointed(_plain(value), speech)


def _plain(value: str | int | float) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
