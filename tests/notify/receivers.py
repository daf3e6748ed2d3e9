"""Receivers of other makers for tests/notify: what arrives is told as JSON, one line each.

    receivers.py http                    a web server; CloudEvents are read by the project's own
                                         Python library (PyPI cloudevents), which validates them
    receivers.py smtp [CERT KEY]         a mail server (PyPI aiosmtpd); with a certificate it wants
                                         STARTTLS and then the user `layout`, password `sesame`

The first line is `port N`. Both end when their standard input ends.
"""

import asyncio
import http.server
import json
import ssl
import sys
import threading


TELLING = threading.Lock()


def tell(record):
    # The web server has a thread for each caller; a line is one thread's from end to end.
    with TELLING:
        print(json.dumps(record), flush=True)


def end_with_parent():
    def wait():
        sys.stdin.read()
        import os

        os._exit(0)

    threading.Thread(target=wait, daemon=True).start()


class Web(http.server.BaseHTTPRequestHandler):
    """`/fail-N/...` is refused with 503 N times before it is taken; `/never` with 404."""

    failed = {}

    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("content-length", 0)))
        status = 204
        step = self.path.split("/")[1]
        if step.startswith("fail-"):
            before = self.failed.get(self.path, 0)
            if before < int(step[5:]):
                self.failed[self.path] = before + 1
                status = 503
        if step == "never":
            status = 404
        record = {
            "path": self.path,
            "status": status,
            "headers": {name.lower(): value for name, value in self.headers.items()},
            "body": body.decode(),
        }
        if "cloudevents" in self.headers.get("content-type", ""):
            record["event"] = self.read_event(body)
        # Told before it is answered: who was answered was told of.
        tell(record)
        self.send_response(status)
        self.end_headers()

    def read_event(self, body):
        from cloudevents.core.bindings.http import HTTPMessage, from_http_event

        try:
            message = HTTPMessage(headers=dict(self.headers.items()), body=body)
            event = from_http_event(message)
        except Exception as error:  # whatever the library finds wrong is what is told
            return {"error": repr(error)}
        attributes = {name: str(value) for name, value in event.get_attributes().items()}
        return {"attributes": attributes, "data": event.get_data()}

    def log_message(self, *_):
        pass


def serve_web():
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Web)
    print(f"port {server.server_address[1]}", flush=True)
    server.serve_forever()


class Letters:
    async def handle_DATA(self, server, session, envelope):
        tell(
            {
                "from": envelope.mail_from,
                "to": envelope.rcpt_tos,
                "tls": session.ssl is not None,
                "user": getattr(session.auth_data, "login", b"").decode() or None,
                "text": envelope.content.decode(),
            }
        )
        return "250 taken"


async def serve_mail(cert, key):
    from aiosmtpd.smtp import SMTP, AuthResult

    def check(server, session, envelope, mechanism, data):
        good = data.login == b"layout" and data.password == b"sesame"
        return AuthResult(success=good, auth_data=data)

    options = {}
    if cert:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(cert, key)
        options = {
            "tls_context": context,
            "require_starttls": True,
            "authenticator": check,
            "auth_required": True,
        }
    loop = asyncio.get_running_loop()
    server = await loop.create_server(
        lambda: SMTP(Letters(), hostname="localhost", **options), "127.0.0.1", 0
    )
    print(f"port {server.sockets[0].getsockname()[1]}", flush=True)
    await server.serve_forever()


def main():
    end_with_parent()
    if sys.argv[1] == "http":
        serve_web()
    else:
        cert, key = (sys.argv[2:] + [None, None])[:2]
        asyncio.run(serve_mail(cert, key))


main()
