"""What logs print, and what they never do."""

import structlog

from capture.logs import configure_logs


def test_a_traceback_prints_no_local_variables(capsys):
    """Somebody's password is a local variable of whatever failed."""
    before = structlog.get_config()
    try:
        configure_logs("info", "text")
        try:
            password = "271828-secret"
            raise RuntimeError(f"cannot go on after {len(password)} characters")
        except RuntimeError:
            structlog.get_logger().exception("publisher.ended")
    finally:
        structlog.configure(**before)
    said = capsys.readouterr().err
    assert "cannot go on after 13 characters" in said
    assert "Traceback (most recent call last)" in said
    assert "271828" not in said
