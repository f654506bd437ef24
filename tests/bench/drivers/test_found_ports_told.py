"""Serial ports are listed by their stable names, and what keeps a user from opening one is told."""

from __future__ import annotations

import grp
import os
import stat
import warnings

import pytest

from ventproof_bench.drivers.found_ports import group_advice, port_trouble, serial_ports

GROUP = "dialout"
NOBODY = 65534


def test_a_port_is_listed_by_its_stable_name(tmp_path):
    """A link below by-id stands for the device that it leads to, and comes first."""
    master, slave = os.openpty()
    try:
        (tmp_path / "usb-adapter-3").symlink_to(os.ttyname(slave))
        first = serial_ports(tmp_path)[0]
    finally:
        os.close(master)
        os.close(slave)
    assert first.path == str(tmp_path / "usb-adapter-3")
    assert first.about.startswith("/dev/pts/")
    assert first.trouble == ""


def test_a_member_of_the_ports_group_is_told_how_to_become_one():
    """Debian gives serial ports to group dialout: Debian Reference, 1.2.3 (file system permissions)."""
    said = group_advice(stat.S_IFCHR | 0o660, grp.getgrnam(GROUP).gr_gid)
    assert said == (
        "this user may not open it, but members of group dialout may: "
        "sudo usermod -aG dialout $USER, then log out and in again"
    )


@pytest.mark.parametrize(("mode", "group"), [(0o600, GROUP), (0o660, "root"), (0o640, GROUP)])
def test_where_no_group_may_open_it_nobody_is_sent_into_one(mode, group):
    """A port for its owner alone, for root's group, or one that a group may read only."""
    said = group_advice(stat.S_IFCHR | mode, grp.getgrnam(group).gr_gid)
    assert "usermod" not in said
    assert "ask its administrator" in said


def test_what_is_no_port_is_told(tmp_path):
    """A file, a name that is none; a URL is left to whoever opens it."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert "not a serial port" in port_trouble(str(tmp_path / "file"))
    assert "plugged in" in port_trouble("/dev/ttyNOWHERE")
    assert port_trouble("socket://192.0.2.7:1") == ""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become a user who may not")
def test_a_user_without_the_permission_is_told_before_anything_is_opened():
    """A process of another user asks of a real pseudo-terminal that belongs to root."""
    master, slave = os.openpty()
    try:
        os.fchmod(slave, 0o660)
        os.fchown(slave, 0, grp.getgrnam(GROUP).gr_gid)
        asked, answer = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the child only asks and ends, whatever threads there are
            child = os.fork()
        if not child:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            os.write(answer, port_trouble(os.ttyname(slave)).encode())
            os._exit(0)
        os.waitpid(child, 0)
        said = os.read(asked, 1000).decode()
    finally:
        os.close(master)
        os.close(slave)
    assert "sudo usermod -aG dialout $USER" in said
