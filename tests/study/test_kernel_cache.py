"""Where compiled code is kept."""

from doe.study import kernel_cache


def test_the_last_resort_for_compiled_code_is_a_folder_of_ones_own(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    first = kernel_cache._own_folder()
    assert first.stat().st_mode & 0o077 == 0
    assert kernel_cache._own_folder() == first
    first.chmod(0o777)  # somebody else could have put code there
    other = kernel_cache._own_folder()
    assert other != first
    assert other.stat().st_mode & 0o077 == 0
