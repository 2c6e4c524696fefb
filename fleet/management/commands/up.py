"""Starts the whole tool on this machine: web, worker and beat. Ctrl-C stops all of it."""

import ipaddress
import os
import sys
from collections.abc import Collection
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from fleet.lib.supervisor import Child, Plan, wait_for_port
from fleet.services.guards import guards_install, guards_missing

PARTS = ("web", "worker", "beat")


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Command(BaseCommand):
    help = "Starts web, worker and beat, restarts what dies, and stops all of it on Ctrl-C."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on")
        parser.add_argument("--port", type=int, default=8000, help="port to listen on")
        parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS, help="start only these parts")
        parser.add_argument("--processes", type=int, default=2, help="web processes")
        parser.add_argument("--concurrency", type=int, default=2, help="jobs running at the same time")

    def handle(self, *args: Any, **options: Any) -> None:
        host, port = options["host"], options["port"]
        self.refuse_open_development(host)
        self.refuse_old_database()
        self.put_guards_back()
        parts = options["only"]
        if "web" in parts and not wait_for_port(host, port, wait_s=10):
            raise CommandError(
                f"Port {port} on {host} is still in use. Stop the other program, or choose another: up --port {port + 1}"
            )
        plan = make_plan(host, port, options["processes"], options["concurrency"], parts)
        connection.close()
        # The supervisor takes this process's place, so that no copy of Django idles in it.
        os.execv(sys.executable, [sys.executable, "-m", "fleet.lib.supervisor", plan.to_json()])

    def refuse_open_development(self, host: str) -> None:
        if settings.DEVELOPMENT and not is_loopback(host):
            raise CommandError(
                f"DEBUG is on, so this serves only this machine, not {host}. Set DEBUG=0, SECRET_KEY and ALLOWED_HOSTS."
            )

    def refuse_old_database(self) -> None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            raise CommandError("The database is not up to date. Run: manage.py migrate")

    def put_guards_back(self) -> None:
        """On SQLite guards step aside while it migrates; a migration that failed may have left them aside."""
        if missing := guards_missing():
            guards_install()
            self.stdout.write(f"Put back the guards of: {', '.join(missing)}.")


def make_plan(host: str, port: int, processes: int, concurrency: int, parts: Collection[str]) -> Plan:
    shown_host = f"[{host}]" if ":" in host else host
    url = f"http://{shown_host}:{port}/"
    python = [sys.executable, "-m"]
    celery = [*python, "celery", "--quiet", "-A", "fleet.project"]
    quiet = ["--loglevel", os.environ.get("LOG_LEVEL", "WARNING")]
    in_background = {
        "MUSTERWELL_WORKER": "1",
        "SITE_ROOT": os.environ.get("SITE_ROOT", url.rstrip("/")),
        "PYTHONWARNINGS": "ignore::UserWarning:celery.platforms",  # running as root in a container is common
    }
    memory = ["--worker-tmp-dir", "/dev/shm"] if Path("/dev/shm").is_dir() else []
    web = [*python, "gunicorn", "fleet.project.wsgi", "--bind", f"{shown_host}:{port}"]
    web += ["--workers", str(processes), "--graceful-timeout", "5", "--log-level", "warning", *memory]
    workers = make_workers(celery, quiet, concurrency, in_background)
    beat = [*celery, "beat", *quiet, "--pidfile", ""]
    children = [
        Child("web", web),
        *workers,
        Child("beat", beat, env=in_background),
    ]
    if "web" in parts:
        greeting, answer_at = f"Musterwell serves on {url} (Ctrl-C stops it).", (host, port)
    else:
        greeting, answer_at = f"Running: {', '.join(sorted(parts))} (Ctrl-C stops it).", None
    return Plan([child for child in children if child.name.partition("-")[0] in parts], greeting, answer_at)


def make_workers(celery: list[str], quiet: list[str], concurrency: int, env: dict[str, str]) -> list[Child]:
    """One worker with a pool; on the broker of plain files as many workers that run a job in their own process.

    That transport has no event loop, so the processes of a pool take their jobs under a shared lock: one that is killed
    while it waits takes the lock along, and the others stand still for good.
    """
    pooled = bool(settings.REDIS_URL)
    own = ["--concurrency", str(concurrency)] if pooled else ["--pool", "solo"]
    names = ["worker"] if pooled else [f"worker-{number}" for number in range(1, concurrency + 1)]
    usual = [*celery, "worker", *quiet, "--without-gossip", "--without-mingle", "--without-heartbeat"]
    return [
        Child(
            name,
            [*usual, *own, "--hostname", f"{name}-{os.getpid()}@%h"],
            env=env,
            stop_last=True,
        )
        for name in names
    ]
