"""The page behind a real Caddy, with the shipped Caddyfile, and by itself with an own certificate."""

import json
import os
import socket
import ssl

from stand import ROOT, Stand, check, fetch, free_port, must, plan, run, until

NAME = "layout-pi.local"


def first_event(port, ca, name):
    """Opens the event stream over TLS; the time-independent part: status line and first event."""
    context = ssl.create_default_context(cafile=ca)
    with socket.create_connection(("127.0.0.1", port), timeout=20) as plain:
        with context.wrap_socket(plain, server_hostname=name) as stream:
            stream.sendall(f"GET /events HTTP/1.1\r\nHost: {name}\r\n\r\n".encode())
            text = b""
            # The stream never ends: what comes while it is open has not waited for a buffer.
            while b"event: state" not in text or b"\n\n" not in text.split(b"event: state", 1)[1]:
                got = stream.recv(65536)
                if not got:
                    break
                text += got
            return text.decode(errors="replace")


def curl(port, ca, path, *more):
    """By the name, without asking anybody where it is."""
    return run("curl", "-sS", "--max-time", "20", "--cacert", ca, "--resolve",
               f"{NAME}:{port}:127.0.0.1", *more, f"https://{NAME}:{port}{path}")


def test(program):
    with Stand(program) as stand:
        web, port = free_port(), free_port()
        must(program, "init", "--dir", stand.folder / "init", "--pin", "2468")
        pin = f'pin_file = "init/pin"\nallowed_hosts = ["{NAME}"]'
        file = stand.write("plan.toml", plan(web=web, web_more=pin))
        stand.daemon(file)
        text = (ROOT / "deploy/caddy/Caddyfile").read_text()
        must("caddy", "validate", "--adapter", "caddyfile", "--config",
             stand.write("shipped", text), env=caddy_env(stand))
        check("caddy takes the shipped Caddyfile", True)
        for old, new in [
            (f"{NAME} {{", f"{NAME}:{port} {{"),
            ("127.0.0.1:8080", f"127.0.0.1:{web}"),
            # Port 80 belongs to the machine, not to a test.
            ("\tadmin off\n", "\tadmin off\n\tauto_https disable_redirects\n"),
        ]:
            if old not in text:
                raise AssertionError(f"{old} is not in the Caddyfile")
            text = text.replace(old, new)
        stand.start("caddy", "run", "--adapter", "caddyfile", "--config",
                    stand.write("Caddyfile", text), log="caddy", env=caddy_env(stand))
        root = stand.folder / "data/caddy/pki/authorities/local/root.crt"
        until("caddy has made its authority", root.exists)
        until("the page answers", lambda: curl(port, root, "/healthz").stdout == "ok\n")
        check("the page comes through Caddy, over TLS", True)
        check("who does not know Caddy's authority is warned",
              curl(port, "/etc/ssl/certs/ca-certificates.crt", "/healthz").returncode == 60)
        said = first_event(port, root, NAME)
        check("events come through at once", "200 OK" in said and "event: state" in said, said[:300])
        origin = ["-H", f"Origin: https://{NAME}:{port}", "-H", "Content-Type: application/json"]
        opened = curl(port, root, "/api/v1/session", "-i", *origin, "-d", '{"pin":"2468"}').stdout
        cookie = [line for line in opened.splitlines() if line.lower().startswith("set-cookie")]
        check("the PIN opens a session through it, whose cookie goes over TLS only",
              len(cookie) == 1 and cookie[0].endswith("; Secure"), opened)
        foreign = curl(port, root, "/api/v1/session", "-o", "/dev/null", "-w", "%{http_code}", "-H",
                       "Origin: https://example.org", "-H", "Content-Type: application/json", "-d",
                       '{"pin":"2468"}').stdout
        check("another origin is refused through it too", foreign == "403", foreign)


def caddy_env(stand):
    return dict(os.environ, HOME=str(stand.folder), XDG_DATA_HOME=str(stand.folder / "data"),
                XDG_CONFIG_HOME=str(stand.folder / "config"))


def own_certificate(program):
    """`[web] tls` with what make-certificates makes, asked by curl, openssl and Python."""
    with Stand(program) as stand:
        port = free_port()
        must(ROOT / "deploy/make-certificates", stand.folder / "tls", NAME, "127.0.0.1")
        tls = 'tls = { cert = "tls/server.pem", key = "tls/server.key" }\n'
        more = tls + f'allowed_hosts = ["{NAME}"]'
        file = stand.write("plan.toml", plan(web=port, web_more=more))
        _, page = stand.daemon(file)
        ca = stand.folder / "tls/ca.pem"
        check("the address that is told is an encrypted one", page.startswith("https://"), page)
        check("curl takes the certificate by its name", curl(port, ca, "/healthz").stdout == "ok\n")
        said = first_event(port, ca, NAME)
        check("events come over TLS", "event: state" in said, said[:300])
        plain, _ = fetch(f"http://127.0.0.1:{port}/healthz")
        check("unencrypted it answers nothing", plain == 0, str(plain))
        for version, wanted in [("-tls1_1", False), ("-tls1_2", True), ("-tls1_3", True)]:
            done = run("openssl", "s_client", "-connect", f"127.0.0.1:{port}", version, "-CAfile",
                       ca, "-verify_return_error", "-servername", NAME, input="")
            spoke = done.returncode == 0 and "Verify return code: 0" in done.stdout
            check(f"openssl {version}: {'spoken' if wanted else 'refused'}", spoke == wanted,
                  done.stderr[-300:])
        status, text = fetch(f"https://127.0.0.1:{port}/api/v1/state", ca=str(ca))
        check("the certificate holds for the address as well",
              status == 200 and "blocks" in json.loads(text), text[:200])
