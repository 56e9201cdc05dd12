"""One searched run and its page's data for the tests of this folder."""

import pytest

from tests.helpers.pages import data_of, searched


@pytest.fixture(scope="package")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("page")


@pytest.fixture(scope="package")
def found(folder):
    return searched(folder)


@pytest.fixture(scope="package")
def data(found):
    return data_of(*found)
