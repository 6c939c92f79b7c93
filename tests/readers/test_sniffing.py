"""Which layout a text is taken for. The specimens are invented, one of each layout."""

from __future__ import annotations

import pytest

from spectra.readers.layouts import READERS, choose_reader


def test_each_layout_is_sniffed_as_its_own() -> None:
    """Each sniffer on a specimen of its own and on those of all others: the surest must be its own."""
    across = ",".join(str(-90 - i % 7) for i in range(20))
    specimens = {
        "sweepmuster-csv": "# sweepmuster sweep 1\nfrequency_hz,level_dbm\n1.0,-90.0\n2.0,-91.0\n",
        "sm1809": "FileType X\nFreqStart 1\nFreqStop 2\nDataPoints 20\n\n10:00:00," + across + "\n",
        "signal-list": "Signal,Frequency,Level,Remark\n1,1173.4,-81,a\n2,1180.1,-84,b\n",
        "segment-rows": "1000,2000,50," + across + "\n2000,3000,50," + across + "\n",
        "rows-across": "Start,1,MHz\n10:00:00," + across + "\n10:00:01," + across + "\n",
        "frequency-level-rows": "MHz,dBm\n1,-90\n2,-91\n3,-90\n",
        "level-rows": "Start: 1 MHz\nStop: 2 MHz\n-90.1\n-91.2\n-90.3\n",
    }
    assert list(specimens) == [reader.name for reader in READERS]
    for name, text in specimens.items():
        reader, certainty = choose_reader(text)
        assert reader.name == name
        assert 0.0 < certainty <= 1.0


@pytest.mark.parametrize("text", ["", "\n", "\x00", "\ufeff", "\u2212" * 50, "1", ",", '"', "a:b=c;d", "9" * 20000])
def test_sniffers_never_raise(text: str) -> None:
    for reader in READERS:
        assert 0.0 <= reader.sniff(text) <= 1.0
