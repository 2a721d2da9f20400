"""Where compiled code is kept."""

from doe.study import compiled


def test_the_last_resort_for_compiled_code_is_a_folder_of_ones_own(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    first = compiled._own_folder()
    assert first.stat().st_mode & 0o077 == 0
    assert compiled._own_folder() == first
    first.chmod(0o777)  # somebody else could have put code there
    other = compiled._own_folder()
    assert other != first
    assert other.stat().st_mode & 0o077 == 0
