"""Ways to write the same music in ABC without what a general-purpose reader is known to misread.

Each takes the text of a tune and returns one that means the same by the standard (ABC 2.1, December 2011). A
difference between our reader and another is explained if the other agrees with us as soon as the tune is written
this way. The rewrites work on the text alone and know nothing of our reader.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction

_FIELD = re.compile(r"^[A-Za-z+]:|^%")
_LENGTH = r"\d*/*\d*"
_TOKEN = re.compile(
    rf"""(?P<skip>"[^"]*"|![^!\s]*!|\[[A-Za-z]:[^\]]*\]|\\$)
    |(?P<bar>[|:]*(?:\[?\|+\]?|::)[|:]*(?:[ ]*\[?\d[\d,-]*)?|\[\d[\d,-]*)
    |(?P<tuplet>\(\d(?::\d*){{0,2}})
    |(?P<graces>\{{[^}}]*\}})
    |(?P<chord>\[[^\]|]*\])(?P<chord_length>{_LENGTH})
    |(?P<accidental>[_^]{{1,2}}|=)?(?P<letter>[A-Ga-g])(?P<octave>[,']*)(?P<length>{_LENGTH})
    |(?P<rest>[zx])(?P<rest_length>{_LENGTH})
    |(?P<broken><+|>+)
    |(?P<other>.)""",
    re.VERBOSE,
)
_PITCH = re.compile(r"(?P<accidental>[_^]{1,2}|=)?(?P<letter>[A-Ga-g])(?P<octave>[,']*)|(?P<end>[-|])")


def _music(text: str, change: Callable[[str], str]) -> str:
    """Change the lines of music; header, fields and comments stay."""
    lines = text.split("\n")
    key = next((index for index, line in enumerate(lines) if line.startswith("K:")), len(lines))
    return "\n".join(
        line if index <= key or _FIELD.match(line) else change(line.split("%")[0].rstrip())
        for index, line in enumerate(lines)
    )


def accidentals_written_out(text: str) -> str:
    """Write every accidental that holds from earlier in the bar, for all octaves and gracenotes (§4.2, §11.3)."""
    memory: dict[str, str] = {}

    def pitches(piece: str) -> str:
        return _PITCH.sub(one_pitch, piece)

    def one_pitch(found: re.Match[str]) -> str:
        if found["end"]:
            return found[0]
        letter = found["letter"]
        accidental = found["accidental"] or memory.get(letter.upper(), "")
        if accidental:
            memory[letter.upper()] = accidental
        return f"{accidental}{letter}{found['octave']}"

    def line_of(line: str) -> str:
        out = []
        for found in _TOKEN.finditer(line):
            if found["bar"]:
                memory.clear()
            is_pitched = found["letter"] or found["graces"] or found["chord"]
            out.append(pitches(found[0]) if is_pitched else found[0])
        return "".join(out)

    return _music(text, line_of)


def broken_rhythm_written_out(text: str) -> str:
    """Write ``A>B`` as ``A3/2B1/2``, whatever stands between the two notes (§4.4, §4.12, §4.20)."""
    return _music(text, _without_broken_rhythm)


def _without_broken_rhythm(line: str) -> str:
    pieces: list[str] = []
    lengths: dict[int, Fraction] = {}
    long_before = waiting = None
    for found in _TOKEN.finditer(line):
        note = found["letter"] or found["rest"] or found["chord"]
        length = found["length"] or found["rest_length"] or found["chord_length"] or ""
        if found["bar"]:
            long_before = waiting = None
        if found["broken"] and long_before is not None:
            n = len(found["broken"])
            factors = Fraction(2 ** (n + 1) - 1, 2**n), Fraction(1, 2**n)
            first, waiting = factors if found["broken"][0] == ">" else factors[::-1]
            lengths[long_before] *= first
            continue
        if note:
            long_before = len(pieces)
            lengths[long_before] = _length(length) * (waiting or 1)
            waiting = None
            pieces.append(found[0].removesuffix(length))
        else:
            pieces.append(found[0])
    return "".join(piece + _said(lengths[at]) if at in lengths else piece for at, piece in enumerate(pieces))


def _length(text: str) -> Fraction:
    top, slashes, bottom = re.fullmatch(r"(\d*)(/*)(\d*)", text).groups()  # type: ignore[union-attr]
    return Fraction(int(top or 1), int(bottom) if bottom else 2 ** len(slashes))


def _said(length: Fraction) -> str:
    if length == 1:
        return ""
    return str(length.numerator) if length.denominator == 1 else f"{length.numerator}/{length.denominator}"


def graces_before_tuplets(text: str) -> str:
    """Write ``(3{g}abc`` as ``{g}(3abc`` (§4.20 allows both orders)."""
    return _music(text, lambda line: re.sub(r"(\(\d)((?:\{[^}]*\})+)", r"\2\1", line))


def without_angled_texts(text: str) -> str:
    """Leave out quoted text with ``<`` or ``>`` in it, an annotation (§4.19)."""
    return _music(text, lambda line: re.sub(r'"[^"]*[<>][^"]*"', "", line))


def without_fermatas(text: str) -> str:
    """Leave out ``H``, the fermata (§4.14), among gracenotes too."""

    def line_of(line: str) -> str:
        return "".join(
            found[0].replace("H", "") if found["graces"] or found["other"] == "H" else found[0]
            for found in _TOKEN.finditer(line)
        )

    return _music(text, line_of)


def without_beam_marks(text: str) -> str:
    """Leave out backquotes, which only keep beams legible (§4.7)."""
    return _music(text, lambda line: line.replace("`", ""))


def first_voice_only(text: str) -> str:
    """Leave out every line of the second and third voice (§7); our reader reads the first voice."""
    return re.sub(r"(?m)^\[?V:[ ]*[23]\b.*\n", "", text)


def parts_after_a_bar_line(text: str) -> str:
    """Put a bar line between a body's ``P:`` and the pick-up after it (§3.1.9, §4.8)."""
    head, key, body = re.split(r"(?m)^(K:.*\n)", text, maxsplit=1)
    fields = r"(?:(?:[KMLQ]:.*|\"[^\"]*\"\\)\n)*"
    return head + key + re.sub(rf"(?m)(^P:.*\n{fields}|^\[P:.*\]\\\n)(?=[^|\n]|\|[^:])", r"\1|", body)


def without_invisible_bar_lines(text: str) -> str:
    """Leave out ``[|]``, a bar line that is not seen (§4.8), beside one that is."""
    return _music(text, lambda line: line.replace("[|]", ""))


def part_order_left_out(text: str) -> str:
    """Leave out the header's ``P:`` (§3.1.9); both readers then play the parts in turn."""
    head, key, body = re.split(r"(?m)^(K:.*\n)", text, maxsplit=1)
    return re.sub(r"(?m)^P:.*\n", "", head) + key + re.sub(r"(?m)^P:.*\n|\[P:[^\]]*\]", "", body)


def repeat_starts_written_out(text: str) -> str:
    """Write every ``|:`` that the standard lets be missing (§4.8): at the tune's start, after ``||`` or ``:|``."""
    head, key, body = re.split(r"(?m)^(K:.*\n)", text, maxsplit=1)
    lines = body.split("\n")
    kept = "\n".join(line if _FIELD.match(line) else line.split("%")[0] for line in lines)
    places: list[int] = []
    start, is_open, in_field = _first_music(kept, 0), False, False
    for found in re.finditer(r'(?m)^[A-Za-z+%]:?.*$(?<=^[A-Za-z]:)|"[^"]*"|\[[A-Za-z]:[^\]]*\]|[|:\[\]]{2,}|\|', kept):
        sign = found[0].lstrip("]")
        if not sign or sign[0] == '"' or ("|" not in sign and "::" not in sign) or in_field:
            continue
        if sign.startswith(":") and not is_open:
            places.append(start)
            is_open = True
        ends = sign.startswith(":") or "||" in sign or "|]" in sign or "[|" in sign
        if sign.endswith(":"):
            is_open = True
        elif ends and not re.match(r"(?:\\\n|\s)*\[?[1-9]", kept[found.end() :]):
            start, is_open = _first_music(kept, found.end()), False
    for place in sorted(set(places), reverse=True):
        kept = kept[:place] + "|:" + kept[place:]
    return head + key + kept


def _first_music(body: str, at: int) -> int:
    found = re.compile(
        r"(?:\s|\\\n|\|{1,2}(?![|:\]\[1-9])|(?<=\n)[A-Za-z]:.*|(?<=\n)%.*|\[[A-Za-z]:[^\]]*\]|^[A-Za-z]:.*)*"
    ).match(body, at)
    assert found is not None
    return found.end()


def double_repeats_in_full(text: str) -> str:
    """Write ``::`` as ``:| |:`` (§4.8)."""
    return _music(text, lambda line: re.sub(r"(?<![|:])::(?![|:])", ":| |:", line))


def repeat_ends_of_three_signs(text: str) -> str:
    """Write ``|:|``, which the standard does not know (§4.8), as ``:|``."""
    return _music(text, lambda line: re.sub(r"(?<![|:])\|:\|(?![|:])", ":|", line))


def without_metre(text: str) -> str:
    """Leave out the metre and say the unit length that follows from it (§3.1.6, §3.1.7); bar lines stay."""
    metre = re.search(r"(?m)^M:[ ]*(?:(\d+)/(\d+)|C)", text)
    is_short = metre is not None and metre[1] is not None and int(metre[1]) / int(metre[2]) < 0.75
    unit = "" if re.search(r"(?m)^L:", text) else f"\nL:1/{16 if is_short else 8}"
    return re.sub(r"(?m)^M:.*", f"M:none{unit}", text, count=1)


def visible_rests(text: str) -> str:
    """Write ``x``, a rest that is not printed (§4.5), as ``z``."""

    def line_of(line: str) -> str:
        return "".join("z" + found[0][1:] if found["rest"] else found[0] for found in _TOKEN.finditer(line))

    return _music(text, line_of)


def plus_chords_in_brackets(text: str) -> str:
    """Write the old chord ``+ce+`` as ``[ce]`` (abc 1.6; not in 2.1)."""
    return _music(text, lambda line: re.sub(r"\+([A-Ga-g,'\d/]+)\+", r"[\1]", line))


REWRITES: dict[str, Callable[[str], str]] = {
    "accidentals": accidentals_written_out,
    "broken rhythm": broken_rhythm_written_out,
    "graces before tuplets": graces_before_tuplets,
    "angled texts": without_angled_texts,
    "fermatas": without_fermatas,
    "beam marks": without_beam_marks,
    "first voice": first_voice_only,
    "bar line after P:": parts_after_a_bar_line,
    "invisible bar lines": without_invisible_bar_lines,
    "part order": part_order_left_out,
    "repeat starts": repeat_starts_written_out,
    "double repeats": double_repeats_in_full,
    "three signs": repeat_ends_of_three_signs,
    "metre": without_metre,
    "visible rests": visible_rests,
    "plus chords": plus_chords_in_brackets,
}
