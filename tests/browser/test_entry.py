"""The page comes into a real browser by a file of the user's own, and stays there."""

from __future__ import annotations

import pytest

from tests.support.browser_page import shown
from tracker.storage.private_file import write_private
from tracker.workbench.browser import PAGE

pytestmark = pytest.mark.browser


def test_a_file_opens_the_page_which_can_be_loaded_again(desk, small_copy, tmp_path):
    opened = desk(small_copy)
    file = write_private(tmp_path, "a", ".html", PAGE.format(address=opened.address).encode())
    page = opened.context.new_page()
    page.goto(file.as_uri())
    shown(page)
    assert "token" not in page.url
    page.reload()
    shown(page)
    again = opened.page()  # the same address in the same browser
    assert "token" not in again.url
    other = opened.browser.new_context()
    answer = other.new_page().goto(opened.address)
    assert answer.status == 403
    other.close()
