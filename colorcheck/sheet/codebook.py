"""Read the smallest QR symbol by likelihood over every text a target's code can hold.

A version-1 symbol (ISO/IEC 18004: 21 × 21 modules, one block) carries 26 codewords. A reader that first
decides each module and then corrects errors fails on a code blurred to two pixels a module; here the modules
stay grey, and the text whose symbol agrees best with all of them at once is taken. Error correction is linear
over bits, and the digits of the seed stand in pairs, so that a million texts cost a few matrix products.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from .target import CODE_PREFIXES

_N = 21
_ALPHABET = {c: k for k, c in enumerate("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")}
_WORDS = 26
_CHECK_WORDS = {"M": 10, "Q": 13}  # by level
_LEVEL_BITS = {"M": 0b00, "Q": 0b11}
_Q_HOLDS = 16  # characters; longer texts leave room for level M only
_HEAD = 12  # characters that tell form, shape and size
_AT = 13  # bit at which they begin
_FORMS = tuple(p + s for p in CODE_PREFIXES for s in "RO")  # rectangle, disc
_TAILS = tuple(p + v for p in "CSF" for v in "FT")
_HEADS_TRIED = 48  # pairs of head and mask that agree best with the data modules alone
_CERTAIN = 7.5  # standard errors of the sum over all modules; chance over 10⁸ texts stays below 6
_NAMED = 6  # texts named
_AT_ONCE = 500_000  # numbers scored at once
_AHEAD = 1.5  # the same, to the next text


@dataclass(frozen=True, slots=True)
class Reading:
    """The likeliest texts, best first, and by how many standard errors each agrees."""

    texts: tuple[str, ...]
    agreements: tuple[float, ...]

    @property
    def certain(self) -> bool:
        """Whether chance and every other text are out of the question."""
        one, two = (*self.agreements, 0.0, 0.0)[:2]
        return one >= _CERTAIN and one - two >= _AHEAD


@lru_cache(maxsize=1)
def _field() -> tuple[list[int], list[int]]:
    """Powers and logarithms of GF(256) with x⁸+x⁴+x³+x²+1."""
    power, log, x = [0] * 512, [0] * 256, 1
    for k in range(255):
        power[k], log[x] = x, k
        x = (x << 1) ^ (0x11D if x & 0x80 else 0)
    power[255:510] = power[:255]
    return power, log


def _check_words(data: list[int], count: int) -> list[int]:
    """Reed–Solomon check codewords of one block."""
    power, log = _field()
    gen = [1]
    for k in range(count):
        wide = [*gen, 0]
        for i, g in enumerate(gen):
            if g:
                wide[i + 1] ^= power[log[g] + k]
        gen = wide
    rest = [*data, *([0] * count)]
    for i in range(len(data)):
        lead = rest[i]
        if lead:
            for j, g in enumerate(gen[1:], 1):
                if g:
                    rest[i + j] ^= power[log[g] + log[lead]]
    return rest[len(data) :]


@lru_cache(maxsize=2)
def _spread(level: str) -> Any:
    """From data bits to all 208 bits of the symbol, (data bits, 208) uint8, modulo 2."""
    words = _WORDS - _CHECK_WORDS[level]
    rows = []
    for k in range(8 * words):
        data = [0] * words
        data[k // 8] = 0x80 >> (k % 8)
        rows.append(np.unpackbits(np.array(data + _check_words(data, _CHECK_WORDS[level]), np.uint8)))
    return np.array(rows, np.uint8)


def _level(length: int) -> str:
    return "Q" if length <= _Q_HOLDS else "M"


def _data_bits(text: str) -> Any:
    """Give the data bits of a text in alphanumeric mode with end and padding."""
    bits = [int(b) for b in "0010" + f"{len(text):09b}"]
    for k in range(0, len(text), 2):
        pair = [_ALPHABET[c] for c in text[k : k + 2]]
        code = f"{pair[0] * 45 + pair[1]:011b}" if len(pair) == 2 else f"{pair[0]:06b}"
        bits += [int(b) for b in code]
    room = 8 * (_WORDS - _CHECK_WORDS[_level(len(text))])
    bits += [0] * min(4, room - len(bits))
    bits += [0] * (-len(bits) % 8)
    pad = [[1, 1, 1, 0, 1, 1, 0, 0], [0, 0, 0, 1, 0, 0, 0, 1]]
    for k in range((room - len(bits)) // 8):
        bits += pad[k % 2]
    return np.array(bits, np.uint8)


def _signs(bits: Any, level: str) -> Any:
    """Turn data bits (…, n) into the symbol's bits as ±1 (light +1, dark −1), (…, 208) float32."""
    return (1.0 - 2.0 * ((bits.astype(np.float32) @ _spread(level).astype(np.float32)) % 2)).astype(np.float32)


@lru_cache(maxsize=1)
def function_modules() -> tuple[Any, Any]:
    """Modules alike in every such symbol: which (21, 21) bool, and light or dark as ±1; without the format bits."""
    value = np.zeros((_N, _N))
    mark = -np.ones((8, 8))
    mark[7, :], mark[:, 7] = 1, 1
    mark[1:6, 1:6], mark[2:5, 2:5] = 1, -1
    value[:8, :8], value[:8, -8:], value[-8:, :8] = mark, mark[:, ::-1], mark[::-1]
    line = np.where(np.arange(8, _N - 8) % 2 == 0, -1, 1)
    value[6, 8 : _N - 8], value[8 : _N - 8, 6] = line, line
    value[_N - 8, 8] = -1
    return value != 0, value


@lru_cache(maxsize=1)
def _format_places() -> Any:
    """Places of the 15 format bits, most significant first, two copies: (2, 15, 2) row, column."""
    one = [(8, c) for c in (0, 1, 2, 3, 4, 5, 7, 8)] + [(r, 8) for r in (7, 5, 4, 3, 2, 1, 0)]
    two = [(_N - 1 - k, 8) for k in range(7)] + [(8, _N - 8 + k) for k in range(8)]
    return np.array([one, two])


@lru_cache(maxsize=1)
def _data_places() -> Any:
    """Places of the 208 data and check bits in their order: (208, 2) row, column."""
    taken = function_modules()[0].copy()
    for r, c in _format_places().reshape(-1, 2):
        taken[r, c] = True
    out, up = [], True
    for right in (*range(_N - 1, 7, -2), 5, 3, 1):
        for r in range(_N - 1, -1, -1) if up else range(_N):
            out += [(r, c) for c in (right, right - 1) if not taken[r, c]]
        up = not up
    return np.array(out)


@lru_cache(maxsize=1)
def _masks() -> Any:
    """Give the eight mask patterns over the data places as ±1, (8, 208)."""
    i, j = _data_places().T
    rules = [
        (i + j) % 2, i % 2, j % 3, (i + j) % 3, (i // 2 + j // 3) % 2, (i * j) % 2 + (i * j) % 3,
        ((i * j) % 2 + (i * j) % 3) % 2, ((i + j) % 2 + (i * j) % 3) % 2,
    ]  # fmt: skip
    return np.array([np.where(r == 0, -1.0, 1.0) for r in rules], np.float32)


@lru_cache(maxsize=16)
def _format_signs(level: str, mask: int) -> Any:
    """Format bits of a level and mask as ±1, (15,)."""
    data = (_LEVEL_BITS[level] << 3) | mask
    rest = data << 10
    for k in range(14, 9, -1):
        if rest >> k & 1:
            rest ^= 0b10100110111 << (k - 10)
    word = ((data << 10) | rest) ^ 0b101010000010010
    return np.array([1.0 - 2.0 * (word >> (14 - k) & 1) for k in range(15)], np.float32)


def modules(text: str, mask: int) -> Any:
    """Modules of the symbol of a text, (21, 21) bool, True where light."""
    level = _level(len(text))
    value = function_modules()[1].copy()
    r, c = _data_places().T
    value[r, c] = _signs(_data_bits(text), level) * _masks()[mask]
    for place in _format_places():
        value[place[:, 0], place[:, 1]] = _format_signs(level, mask)
    return value > 0


@lru_cache(maxsize=1)
def _lengths() -> tuple[Any, Any]:
    """All whole-millimetre and half-inch lengths: in tenths of a millimetre (n,), data bits of their digits (n, 22)."""
    tenths = np.array(sorted({10 * k for k in range(60, 401)} | {127 * k for k in range(5, 32)}))
    halves = np.stack([tenths // 100, tenths % 100], axis=1)
    codes = halves // 10 * 45 + halves % 10
    return tenths, ((codes[:, :, None] >> np.arange(10, -1, -1)) & 1).reshape(len(tenths), -1).astype(np.uint8)


@lru_cache(maxsize=1)
def _all_heads() -> tuple[Any, Any, Any]:
    """Heads of all sizes: width and height as numbers of a length (n,) each, which of `_FORMS` they have (n,)."""
    n = len(_lengths()[0])
    w, h = (v.ravel() for v in np.mgrid[0:n, 0:n])
    one, times = np.arange(n), len(CODE_PREFIXES)
    form = np.repeat(np.arange(len(_FORMS)), [n * n, n] * times)
    return np.concatenate([w, one] * times), np.concatenate([h, one] * times), form


def _head_text(k: int) -> str:
    w, h, form = _all_heads()
    tenths = _lengths()[0]
    return f"{_FORMS[form[k]]}{tenths[w[k]]:04d}{tenths[h[k]]:04d}"


def _form_bits(form: str) -> Any:
    """Give the data bits of one of `_FORMS`, (22,)."""
    return np.array([int(b) for two in (form[:2], form[2:]) for b in f"{_pair(two):011b}"], np.uint8)


def _head_bits(which: Any) -> Any:
    """Give the data bits of some heads, (n, 66)."""
    w, h, form = _all_heads()
    bits = _lengths()[1]
    forms = np.array([_form_bits(f) for f in _FORMS])
    return np.concatenate([forms[form[which]], bits[w[which]], bits[h[which]]], axis=1)


def _head_agreement(unmasked: Any) -> Any:
    """Sum of the head's bits (…, 66) over every head, (…, heads): each length adds its own part."""
    signs = 1.0 - 2.0 * _lengths()[1].astype(np.float32)
    w, h = unmasked[:, 22:44] @ signs.T, unmasked[:, 44:66] @ signs.T
    both = (w[:, :, None] + h[:, None, :]).reshape(len(w), -1)
    forms = [unmasked[:, :22] @ (1.0 - 2.0 * _form_bits(f).astype(np.float32)) for f in _FORMS]
    # of every prefix the rectangle, then the disc, as in `_all_heads`
    return np.concatenate([f[:, None] + (w + h if k % 2 else both) for k, f in enumerate(forms)], axis=1)


def _pair(two: str) -> int:
    return _ALPHABET[two[0]] * 45 + _ALPHABET[two[1]]


@lru_cache(maxsize=16)
def _digits(level: str, at: int, count: int, first: int) -> Any:
    """Give what the numbers from ``first`` up to 10^count − 1 do to all bits from bit ``at`` on, (k, 208) ±1."""
    numbers = np.arange(first, 10**count)
    code = numbers // 10 * 45 + numbers % 10 if count == 2 else numbers
    width = 11 if count == 2 else 6
    bits = np.zeros((len(numbers), len(_spread(level))), np.uint8)
    bits[:, at : at + width] = (code[:, None] >> np.arange(width - 1, -1, -1)) & 1
    return _signs(bits, level)


@lru_cache(maxsize=8)
def _first_frame(length: int) -> Any:
    """Bits ±1 of the six texts of the first head and this length whose seed is nought, digits left out: (6, 208)."""
    return _signs(
        np.array([_data_bits(_head_text(0) + t + "0" * (length - _HEAD - 2)) for t in _TAILS]), _level(length)
    )


def _frames(which: Any, length: int) -> Any:
    """Give the same for some heads, (n, 6, 208): bits add up modulo 2, so signs multiply."""
    level = _level(length)
    bits = np.zeros((len(which), len(_spread(level))), np.uint8)
    bits[:, _AT : _AT + 11 * _HEAD // 2] = _head_bits(which) ^ _head_bits(np.array([0]))
    return _first_frame(length)[None] * _signs(bits, level)[:, None]


def read_symbol(value: Any, *, near_mm: tuple[float, float] | None = None, seed_digits: int = 4) -> Reading:
    """Find the text whose symbol agrees best with grey modules.

    Parameters
    ----------
    value : (21, 21)
        Brightness of each module about the middle between light and dark.
    near_mm : (w, h), optional
        Size of the sheet as far as it is known; sizes far from it are left out.
    seed_digits : int
        Longest seed looked for, up to 6.

    Returns
    -------
    Reading
    """
    v = np.asarray(value, dtype=np.float32)
    r, c = _data_places().T
    soft = v[r, c]
    formats = sum(v[p[:, 0], p[:, 1]] for p in _format_places())
    norm = float(np.sqrt((soft**2).sum() + sum((v[p[:, 0], p[:, 1]] ** 2).sum() for p in _format_places()))) + 1e-9
    w, h, _ = _all_heads()
    use = np.arange(len(w))
    if near_mm is not None:
        sizes = _lengths()[0][np.stack([w, h], axis=1)] / 10
        far = np.abs(np.log(sizes / np.array(near_mm)))
        aspect = np.abs(np.log(sizes[:, 0] / sizes[:, 1]) - np.log(near_mm[0] / near_mm[1]))
        use = np.flatnonzero((far.max(axis=1) < 0.25) & (aspect < 0.04))
    unmasked = soft * _masks()
    by_head = _head_agreement(unmasked[:, _AT : _AT + 11 * _HEAD // 2])[:, use]  # (8, heads)
    found: list[tuple[float, str]] = []
    for level, lengths in (("Q", (1, 2)), ("M", range(3, seed_digits + 1))):
        wanted = np.array([float(formats @ _format_signs(level, m)) for m in range(8)], np.float32)
        both = by_head + wanted[:, None]
        keep = min(_HEADS_TRIED if seed_digits <= 4 else _HEADS_TRIED // 8, both.size)
        best = np.argpartition(both.ravel(), both.size - keep)[-keep:]
        for digits in lengths:
            at = _AT + 7 * 11
            mask, which = np.divmod(best, both.shape[1])
            x = (unmasked[mask][:, None] * _frames(use[which], 14 + digits)).reshape(-1, unmasked.shape[1])
            base = np.repeat(wanted[mask], 6)
            groups = [(2, at + 11 * k) for k in range(digits // 2)] + ([(1, at + 11 * (digits // 2))] * (digits % 2))
            tables = []
            for k, (count, place) in enumerate(groups):
                first = (10 if count == 2 else (0 if digits == 1 else 1)) if k == 0 else 0
                tables.append((_digits(level, place, count, first), first, count))
            found += [
                (score, _head_text(int(use[which[row // 6]])) + _TAILS[row % 6] + number)
                for score, row, number in _best_numbers(x, base, tables)
            ]
    top: dict[str, float] = {}
    for score, text in sorted(found, reverse=True):
        top.setdefault(text, score / norm)
        if len(top) == _NAMED:
            break
    return Reading(tuple(top), tuple(top.values()))


def _best_numbers(x: Any, base: Any, tables: list[tuple[Any, int, int]]) -> list[tuple[float, int, str]]:
    """Score every number that the tables spell, for every row; the best few with their row and digits."""
    # most bits are not the seed's: they count alike for all numbers of a row
    moved = np.any([(table < 0).any(axis=0) for table, _, _ in tables], axis=0)
    base = base + x[:, ~moved].sum(axis=1)
    x = x[:, moved]
    *front, (last, last_first, last_count) = [(table[:, moved], first, count) for table, first, count in tables]
    spread: Any = np.ones((1, x.shape[1]), np.float32)
    spelled = [""]
    for table, first, count in front:
        spread = (spread[:, None] * table[None]).reshape(-1, x.shape[1])
        spelled = [s + f"{n + first:0{count}d}" for s in spelled for n in range(len(table))]

    def scores(rows: Any) -> Any:
        """All numbers of some rows, (first digits, rows, last digits)."""
        ends = (rows[:, None] * last[None]).reshape(-1, x.shape[1])
        return (spread @ ends.T).reshape(len(spread), len(rows), len(last))

    step = max(1, _AT_ONCE // (len(spread) * len(last)))
    top = np.concatenate([scores(x[k : k + step]).max(axis=(0, 2)) for k in range(0, len(x), step)]) + base
    out: list[tuple[float, int, str]] = []
    for k in np.argsort(-top)[: 2 * _NAMED]:
        flat = scores(x[k : k + 1]).ravel() + base[k]
        for i in np.argpartition(flat, len(flat) - 2)[-2:]:
            a, b = divmod(int(i), len(last))
            out.append((float(flat[i]), int(k), spelled[a] + f"{b + last_first:0{last_count}d}"))
    return out
