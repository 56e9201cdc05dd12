"""A ledger on a network file system is told; kinds: structure."""

from pathlib import Path

import pytest

from optimize.ledger import file as ledger_file
from optimize.ledger.ledger import Ledger
from optimize.ledger.network import network_type
from tests.optimize.commands.test_app import run
from tests.optimize.ledger.test_ledger import filled


@pytest.fixture
def mounts(tmp_path, monkeypatch) -> Path:
    """Pretend that these file systems are mounted."""
    table = tmp_path / "mounts"
    table.write_text(
        "rootfs / ext4 rw 0 0\n"
        f"server:/share {tmp_path}/lab\\040share nfs4 rw 0 0\n"
        f"/dev/sdb1 {tmp_path}/lab\\040share/local ext4 rw 0 0\n"
        f"//box/home {tmp_path}/box cifs rw 0 0\n"
        f"lost {tmp_path}/over nfs rw 0 0\n"
        f"tmpfs {tmp_path}/over tmpfs rw 0 0\n"
        f"who@far: {tmp_path}/far fuse.sshfs rw 0 0\n"
        "broken\n\n"
    )
    monkeypatch.setattr(ledger_file, "network_type", lambda path: network_type(path, table))
    return table


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("lab share", "nfs4"),
        ("lab share/deeper", "nfs4"),
        ("lab share/local", None),
        ("lab shared", None),
        ("box", "cifs"),
        ("far", "fuse.sshfs"),
        ("over", None),  # what was mounted last on a point is seen
        (".", None),
    ],
)
def test_the_innermost_mount_decides(tmp_path, mounts, folder, kind):
    assert network_type(tmp_path / folder / "l.sqlite", mounts) == kind


def test_a_link_is_followed_to_where_the_file_lies(tmp_path, mounts):
    (tmp_path / "box").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "box")
    assert network_type(tmp_path / "link" / "l.sqlite", mounts) == "cifs"


def test_where_the_system_does_not_tell_nothing_is_said(tmp_path):
    assert network_type(tmp_path / "l.sqlite", tmp_path / "none") is None


def test_who_writes_is_warned_and_who_reads_is_not(tmp_path, mounts):
    (tmp_path / "box").mkdir()
    path = filled(tmp_path / "box" / "l.sqlite", 1)
    told: list[str] = []
    Ledger(path, tell=told.append).close()
    assert len(told) == 1
    assert f"{path} lies on a network file system (cifs)" in told[0]
    assert "orbwright ledger merge" in told[0]
    code, _, err = run("ledger", "merge", path, filled(tmp_path / "local.sqlite", 2))
    assert code == 0
    assert err.startswith("Warning: ")
    assert "Warning" not in run("show", "--ledger", path)[2]


KINDS = (
    *("nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "9p", "ceph", "glusterfs", "lustre"),
    *("beegfs", "gpfs", "orangefs", "davfs", "fuse.sshfs", "fuse.glusterfs", "fuse.ceph"),
    *("fuse.davfs2", "fuse.rclone", "fuse.s3fs", "fuse.gcsfuse"),
)


@pytest.mark.parametrize("kind", KINDS)
def test_file_systems_of_other_machines_are_known_by_their_type(tmp_path, kind):
    table = tmp_path / "mounts"
    table.write_text(f"rootfs / ext4 rw 0 0\nwhere {tmp_path} {kind} rw,relatime 0 0\n")
    assert network_type(tmp_path / "l.sqlite", table) == kind
    table.write_text(f"rootfs / {kind} rw 0 0\nwhere {tmp_path} ext4 rw,relatime 0 0\n")
    assert network_type(tmp_path / "l.sqlite", table) is None
    table.write_text(f"rootfs / {kind} rw 0 0\n")
    assert network_type(tmp_path / "l.sqlite", table) == kind


@pytest.mark.parametrize("kind", ["ext4", "tmpfs", "fuse.other", "overlay", "", "rw"])
def test_other_types_are_local(tmp_path, kind):
    table = tmp_path / "mounts"
    table.write_text(f"where {tmp_path} {kind} rw 0 0\n")
    assert network_type(tmp_path / "l.sqlite", table) is None


@pytest.mark.parametrize(
    ("name", "written"),
    [("a b", "a\\040b"), ("a\tb", "a\\011b"), ("a\\b", "a\\134b"), ("lab 040", "lab\\040040")],
)
def test_blanks_and_the_like_in_a_mount_point_are_three_octal_digits(tmp_path, name, written):
    table = tmp_path / "mounts"
    table.write_text(f"where {tmp_path}/{written} nfs rw 0 0\n")
    assert network_type(tmp_path / name / "l.sqlite", table) == "nfs"
    assert network_type(tmp_path / "l.sqlite", table) is None
