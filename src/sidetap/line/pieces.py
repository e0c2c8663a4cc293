"""The characters of an ASCII line behind the bytes that it is retold in: offsets of either, one from the other."""

from bisect import bisect_right

from sidetap.line.ascii import Piece


class Pieces:
    """Pieces in order. Where a piece is a message, only its ends have a place among the characters."""

    def __init__(self) -> None:
        self._told = [0]  # where each piece begins, and the last ends
        self._heard = [0]

    def add(self, piece: Piece) -> None:
        """Append a piece."""
        self._told.append(self._told[-1] + len(piece.told))
        self._heard.append(self._heard[-1] + piece.length)

    def heard(self, told: int) -> int:
        """Return the offset among the characters of an offset among the bytes."""
        place = bisect_right(self._told, told) - 1
        inside = told - self._told[place]
        if not inside:
            return self._heard[place]
        # in a message that was taken for noise any place will do, as long as the order stays
        return min(self._heard[place] + inside, self._heard[place + 1] - 1)

    def forget(self, told: int) -> int:
        """Drop the pieces before an offset, where a piece or a byte of noise begins; return how many characters."""
        heard = self.heard(told)
        first = bisect_right(self._told, told) - 1
        self._told = [0, *(offset - told for offset in self._told[first + 1 :])]
        self._heard = [0, *(offset - heard for offset in self._heard[first + 1 :])]
        return heard
