"""A cluster by TLS on loopback, with certificates made for the test."""

import socket
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
pytest.importorskip("trustme", reason="certificates for tests cannot be made")

import dask
import trustme

from layers.errors import InputError
from optimize.compute.cluster import Cluster
from optimize.compute.one import compute_one
from tests.helpers.builds import random_balls
from tests.helpers.loopback import free_port, loopback_cluster

MASS = ("mass_g",)


@dataclass(frozen=True)
class Authority:
    """A certificate authority and one certificate of it, as files."""

    ca: Path
    cert: Path

    @classmethod
    def made(cls, folder: Path) -> "Authority":
        folder.mkdir()
        authority = trustme.CA()
        made = cls(folder / "ca.pem", folder / "cert.pem")
        authority.cert_pem.write_to_path(str(made.ca))
        authority.issue_cert("127.0.0.1").private_key_and_cert_chain_pem.write_to_path(
            str(made.cert)
        )
        return made

    def configured(self, **changes: object):
        """Return the configuration of a searching machine; a change to None leaves one out."""
        settings = {"ca-file": str(self.ca), "client.cert": str(self.cert)}
        settings |= {name.replace("_", "-"): value for name, value in changes.items()}
        return dask.config.set({f"distributed.comm.tls.{k}": v for k, v in settings.items()})


@pytest.fixture(scope="module")
def ours(tmp_path_factory) -> Authority:
    return Authority.made(tmp_path_factory.mktemp("tls") / "ours")


@pytest.fixture(scope="module")
def others(tmp_path_factory) -> Authority:
    return Authority.made(tmp_path_factory.mktemp("tls") / "others")


@pytest.fixture(scope="module")
def cluster(ours, tmp_path_factory):
    options = ("--tls-ca-file", str(ours.ca), "--tls-cert", str(ours.cert))
    with (
        ours.configured(),
        loopback_cluster(
            tmp_path_factory.mktemp("cluster"), 1, (*options, "--protocol", "tls")
        ) as made,
    ):
        yield made


def computed(address: str):
    ball = random_balls(1, seed=3)[0]
    with Cluster(address, connect_timeout_s=5.0).computing(None) as compute:
        return ball, dict(compute([(ball, MASS)]))[0]


def told(address: str) -> str:
    with pytest.raises(InputError) as caught:
        computed(address)
    return str(caught.value)


def test_a_tls_cluster_computes_the_same(cluster, ours):
    assert cluster.address.startswith("tls://")
    with ours.configured():
        ball, there = computed(cluster.address)
    assert there == compute_one(ball, MASS, None)


def test_missing_certificates_are_named(cluster, ours):
    with ours.configured(ca_file=None, **{"client.cert": None}):
        sentence = told(cluster.address)
    assert "needs certificates, but ca-file and client.cert is missing" in sentence
    assert "distributed.comm.tls" in sentence
    with ours.configured(**{"client.cert": None}):
        assert "but client.cert is missing" in told(cluster.address)


def test_certificates_that_cannot_be_read_are_named(cluster, ours, tmp_path):
    with ours.configured(ca_file=str(tmp_path / "none.pem")):
        sentence = told(cluster.address)
        assert "none.pem" in sentence
        assert "No such file" in sentence
    (tmp_path / "empty.pem").write_text("")
    with ours.configured(**{"client.cert": str(tmp_path / "empty.pem")}):
        assert "empty.pem" in told(cluster.address)


def test_certificates_of_another_authority_are_refused_by_either_side(cluster, ours, others):
    with others.configured():
        assert "is not signed by the authority in ca-file" in told(cluster.address)
    with ours.configured(**{"client.cert": str(others.cert)}):
        assert "does not accept this machine's certificate" in told(cluster.address)


def test_tls_and_its_absence_are_told_apart(cluster, ours):
    assert "give it as tls://" in told(cluster.address.replace("tls://", "tcp://"))
    with ours.configured(), socket.create_server(("127.0.0.1", 0)) as plain:
        threading.Thread(target=answer_plainly, args=[plain], daemon=True).start()
        assert "give the address as tcp://" in told(f"tls://127.0.0.1:{plain.getsockname()[1]}")
        assert "No Dask scheduler answers" in told(f"tls://127.0.0.1:{free_port()}")


def answer_plainly(server: socket.socket) -> None:
    with suppress(OSError):  # once the server is closed
        while True:
            line, _ = server.accept()
            with line:
                line.recv(4096)
                line.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
