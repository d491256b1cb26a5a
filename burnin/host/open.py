"""Which machine a root means."""

from __future__ import annotations

from burnin.host.protocol import Host
from burnin.host.real import RealHost
from burnin.host.recorded import RecordedHost


def open_host(root: str) -> Host:
    """Return this machine for ``/``, else the recorded tree at ``root``.

    Raises:
        InputError: the folder does not look like a machine tree.
    """
    return RealHost() if root == "/" else RecordedHost(root)
