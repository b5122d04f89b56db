"""The rival of the outbox: a Celery task that speaks SMTP and does nothing else."""

from __future__ import annotations

import os
import smtplib
from email.message import EmailMessage
from pathlib import Path

from celery import Celery

app = Celery("bare", broker=os.environ["BROKER_URL"])
app.conf.update(
    task_ignore_result=True,
    task_acks_late=True,
    task_reject_on_worker_lost=True,
    worker_prefetch_multiplier=1,
    broker_connection_retry_on_startup=True,
)


@app.task(name="bare.send")
def send(number: int) -> None:
    """Send one letter as large as the others."""
    message = EmailMessage()
    message["Subject"] = f"Letter {number}"
    message["From"], message["To"] = "care@halvermoor.example", f"person{number}@example.org"
    message["Message-ID"] = f"<bare-{number}@halvermoor.example>"
    message.set_content(Path(os.environ["BARE_TEXT"]).read_text())
    message.add_alternative(Path(os.environ["BARE_HTML"]).read_text(), subtype="html")
    with smtplib.SMTP("127.0.0.1", int(os.environ["BARE_PORT"]), timeout=20) as server:
        server.send_message(message)
