"""Opens the page behind a proxy in a real Chromium that knows the proxy's certificate, while somebody at another
address tries keys.

    proxied.py ADDRESS CERTIFICATE PORT

Each line read is what the page is to say of the scale; prints whether it came, and where the page said meanwhile
that it had lost bismar. At the end the batch is stopped by the page's own key.
"""

import base64
import hashlib
import json
import socket
import ssl
import subprocess
import sys
import time
from urllib.parse import urlsplit

from chromium import browser

LONGEST = 60
SEEN = """return {
  view: document.body.dataset.view, address: location.href,
  readable: [...document.querySelectorAll(".readable")].filter((p) => p.offsetParent).map((p) => p.innerText),
  scales: document.getElementById("scales").innerText.replace(/([0-9])\u00a0(?=[a-z%])/g, "$1 "), say: document.getElementById("say").innerText,
}"""


def guesses(address, certificate, port):
    """Ten wrong keys, one more, and the right one, through the proxy."""
    origin, key = address.split("/#")
    context = ssl.create_default_context(cafile=certificate)
    codes = []
    for word in 11 * ["guess"] + [key]:
        body = json.dumps({"key": word})
        heads = (
            f"POST /enter HTTP/1.1\r\nHost: {urlsplit(origin).netloc}\r\nOrigin: {origin}\r\nConnection: close\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        )
        plain = socket.create_connection(("127.0.0.1", port), source_address=("127.0.0.2", 0))
        with context.wrap_socket(plain, server_hostname="bench.example") as link:
            link.sendall((heads + body).encode())
            codes.append(int(link.recv(4096).split()[1]))
    return codes


def told(one):
    print(json.dumps(one), flush=True)


def main():
    address, certificate, port = sys.argv[1:]
    told({"guessed": guesses(address, certificate, int(port))})
    der = subprocess.run(
        ["openssl", "x509", "-in", certificate, "-noout", "-pubkey"], check=True, capture_output=True, text=True
    ).stdout
    key = base64.b64decode("".join(line for line in der.splitlines() if not line.startswith("-")))
    pin = base64.b64encode(hashlib.sha256(key).digest()).decode()
    words = (f"--ignore-certificate-errors-spki-list={pin}", "--host-resolver-rules=MAP bench.example 127.0.0.1")
    with browser(*words) as page:

        def until(ready):
            lost, end = [], time.monotonic() + LONGEST
            while time.monotonic() < end:
                seen = page.execute_script(SEEN)
                if ready(seen):
                    return {"shown": True, "lost": lost, **seen}
                if "has lost bismar" in seen["say"]:
                    lost.append(seen["say"])
                time.sleep(0.05)
            return {"shown": False, "lost": lost, **seen}

        page.get(address)
        told(until(lambda seen: seen["view"] not in ("wait", "door")))
        for line in sys.stdin:
            words = json.loads(line)
            told(until(lambda seen: words in seen["scales"]))
        for _ in range(2):
            page.find_element("id", "stop").click()
            # Two touches of one glove are one.
            time.sleep(1)
        seen = until(lambda seen: seen["view"] == "idle")
        told({**seen, "log": [entry["message"] for entry in page.get_log("browser")]})


main()
