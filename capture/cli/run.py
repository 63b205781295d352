"""``benchtally run``: the daemon."""

import typer

from capture.cli.output import DONE, FAILED, ConfigOption


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def run(config: ConfigOption = None) -> int:
        """Capture, store and deliver until told to stop (Ctrl-C or SIGTERM)."""
        from capture.beginning import nothing_is_rubbish

        with nothing_is_rubbish():
            from capture.app import run_daemon
            from capture.config import load_config
            from capture.logs import configure_logs

        settings = load_config(config)
        configure_logs(settings.log.level, settings.log.form)
        return DONE if run_daemon(settings) else FAILED
