"""What systems and libraries say of ports, in words for whoever stands at the bench."""

from __future__ import annotations

import errno
import os
import pty

import pytest
import serial

from ventproof_bench.base.errors import lost_trouble, open_trouble


def of(number):
    return OSError(number, os.strerror(number))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (None, "the far end closed it"),
        (of(errno.EPIPE), "the far end closed it"),
        (of(errno.ECONNRESET), "the far end closed it"),
        (of(errno.EIO), "it was unplugged, or its far end is gone"),
        (of(errno.ENOSPC), "[Errno 28] No space left on device"),
        (ConnectionResetError("it is not open"), "it is not open"),
        (ValueError(), "ValueError"),
    ],
)
def test_a_lost_port_is_told_in_plain_words(error, said):
    """What nobody has words for is told as it came."""
    assert lost_trouble(error) == said


def test_a_terminal_whose_far_end_closed_is_told_in_plain_words():
    """As the serial library tells of an adapter that was pulled out, which is of no use to the person who did it."""
    controller, far = pty.openpty()
    with serial.Serial(os.ttyname(far), timeout=0.1) as port:
        os.close(far)
        os.close(controller)
        with pytest.raises(serial.SerialException) as lost:
            port.read(1)
    assert lost_trouble(lost.value) == "it was unplugged, or another program reads it"


def test_a_port_that_cannot_be_opened_is_told_in_plain_words():
    """With what may mend it."""
    assert open_trouble(of(errno.ENOENT)) == "there is no such port; is the adapter plugged in?"
    assert open_trouble(of(errno.EBUSY)) == "another program holds it"
    assert open_trouble(ValueError("no such URL")) == "no such URL"
