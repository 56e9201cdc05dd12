"""Whether a file lies on a network file system, as far as the system tells."""

import os
import re
from pathlib import Path

# Linux: device, mount point, type, ... of each mounted file system.
MOUNTS = Path("/proc/self/mounts")

# Types that reach another machine's disk; `fuse.` ones by the program's usual name. From memory.
_NETWORK = frozenset(
    (
        *("nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "9p", "ceph", "glusterfs"),
        *("lustre", "beegfs", "gpfs", "orangefs", "davfs", "fuse.sshfs", "fuse.glusterfs"),
        *("fuse.ceph", "fuse.davfs2", "fuse.rclone", "fuse.s3fs", "fuse.gcsfuse"),
    )
)
# Mount points have blanks, tabs, line ends and backslashes as three octal digits.
_OCTAL = re.compile(r"\\([0-7]{3})")


def network_type(path: Path, mounts: Path = MOUNTS) -> str | None:
    """Return the type of the network file system that a file lies on.

    Parameters
    ----------
    path : Path
        The file; it need not be there yet.
    mounts : Path
        The system's table of mounts.

    Returns
    -------
    str or None
        Such as ``nfs4``; None for a local disk, or where the system does not tell.
    """
    try:
        lines = os.fsdecode(mounts.read_bytes()).splitlines()
    except OSError:
        return None
    real = path.resolve()
    best, found = -1, ""
    for line in lines:
        _, point, kind, *_ = [*line.split(" "), "", "", ""]
        place = Path(_OCTAL.sub(lambda code: chr(int(code[1], 8)), point))
        # Of several on one point the last mounted is seen.
        if real.is_relative_to(place) and len(place.parts) >= best:
            best, found = len(place.parts), kind
    return found if found in _NETWORK else None


def warning(path: Path, kind: str) -> str:
    """Say what a ledger on a network file system may suffer, and what works instead.

    Parameters
    ----------
    path : Path
        The ledger.
    kind : str
        Type of the file system, see `network_type`.
    """
    return (
        f"Warning: {path} lies on a network file system ({kind}), which does not lock between "
        f"machines: let no other machine open it meanwhile, or its rows may be lost. Keep a ledger "
        f"a machine on a local disk, and join them by 'orbwright ledger merge'."
    )
