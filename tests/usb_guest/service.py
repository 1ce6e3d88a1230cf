"""bismar as a service of an ordinary user, under the service manager of a Debian in a virtual machine, closed
in as far as systemd/ knows, with the page on. What befalls it in mid-batch: killed, hung, started anew
with a configuration that does not read, and the machine asleep. See the script `run` beside this file.
"""

import re
import time

from play import FORMULA, LONGEST, Maker, asleep, judge, main

HOME = "/home/maker"
PORT = 8417
MORE = f"""
[weighing]
steady_window = 0.5
[cues]
desktop = false
sound = false
[page]
on = true
port = {PORT}
"""
CHOWN = f"chown -R maker: {HOME}"
SERVICE = "maker systemctl --user"


def property_of(guest, name):
    return guest.run(f"{SERVICE} show bismar -p {name} --value").strip()


def until(guest, what, is_so, longest=LONGEST):
    end = time.monotonic() + longest
    while not is_so(seen := guest.run(what, ends=None)):
        assert time.monotonic() < end, f"{what}: {seen}"
        time.sleep(0.5)
    return seen


def page_answers(guest):
    """The status line that the page gives to a program of the maker's own."""
    ask = f"exec 4<>/dev/tcp/127.0.0.1/{PORT}; printf 'GET / HTTP/1.1\\r\\nHost: 127.0.0.1:{PORT}\\r\\nConnection: close\\r\\n\\r\\n' >&4; head -1 <&4"
    return until(guest, f'maker timeout 20 bash -c "{ask}"', lambda said: "HTTP/1.1" in said).strip()


def run_anew(guest, before):
    """Another process of it runs by itself, and the batch goes on."""
    until(guest, f"{SERVICE} show bismar -p MainPID --value", lambda said: said.strip() not in ("0", before))
    until(guest, f"{SERVICE} is-active bismar", lambda said: said.strip() == "active")
    status = until(guest, "maker bismar status", lambda said: " of 3, " in said)
    return property_of(guest, "MainPID"), status


def play(guest, scale, monitor):
    if guest.until_done(LONGEST)[0] != "ready":
        raise SystemExit("the guest does not come up")
    until(guest, "ls /sys/class/tty", lambda said: "ttyUSB0" in said)
    until(guest, f"{SERVICE} is-system-running", lambda said: said.strip() in ("running", "degraded"))
    scale.start()
    found = guest.run("maker bismar identify --write")
    assert "sign-number-unit-16" in found, found
    config = f"{HOME}/.config/bismar/config.toml"
    scale_found = re.search(r"^\[\[scale\]\]\n(?:[a-z_]+ = .*\n)+", guest.run(f"cat {config}"), re.M)
    good = scale_found.group() + MORE
    guest.put(config, good)
    guest.put(f"{HOME}/soak.toml", FORMULA)
    guest.run(CHOWN)

    began = time.monotonic()
    guest.run(f"{SERVICE} daemon-reload")
    guest.run(f"{SERVICE} enable --now bismar")
    started = time.monotonic() - began
    pid = property_of(guest, "MainPID")
    assert property_of(guest, "ProtectSystem") == "strict"
    assert guest.run(f"grep CapEff /proc/{pid}/status").split()[1] == "0" * 16
    mounts = guest.run(f"cat /proc/{pid}/mountinfo")
    read_only = {line.split()[4] for line in mounts.splitlines() if line.split()[5].startswith("ro")}
    assert "/" in read_only or "/home" in read_only, mounts
    assert guest.run(f"stat -c %U /proc/{pid}").strip() == "maker"
    assert "200" in page_answers(guest)

    guest.run(f"maker bismar begin {HOME}/soak.toml --batch 100g")
    maker = Maker(guest, scale, "maker bismar")

    def in_a_pour_of(step):
        maker.until(lambda now: maker.step == step and 0 < maker.holds[step] and "g to add" in now)

    # Killed in the pour of step 2.
    in_a_pour_of(2)
    guest.run(f"kill -9 {pid}")
    pid, _ = run_anew(guest, pid)
    restarts = int(property_of(guest, "NRestarts"))
    assert restarts == 1, restarts

    # Started anew with a configuration that does not read: the batch goes on with the one from before.
    maker.until(lambda now: "Recorded" in now and maker.step == 2)
    guest.put(config, good.replace("[page]", "[page]\nonn = true"))
    guest.run(CHOWN)
    guest.run(f"{SERVICE} restart bismar")
    pid, status = run_anew(guest, pid)
    assert "The configuration stays as it was" in status and "onn" in status, status
    guest.put(config, good)
    guest.run(CHOWN)
    guest.run(f"{SERVICE} reload bismar")
    until(guest, "maker bismar status", lambda said: "stays as it was" not in said)

    # Hung before step 3: the watchdog ends it.
    stopped = time.monotonic()
    guest.run(f"kill -STOP {pid}")
    before = pid
    until(guest, f"{SERVICE} show bismar -p MainPID --value", lambda said: said.strip() not in ("0", before))
    hung = time.monotonic() - stopped
    pid, _ = run_anew(guest, before)
    guest.run("journalctl --no-pager | grep -q \"bismar.service: Failed with result 'watchdog'\"")
    assert "200" in page_answers(guest)

    # Asleep in the pour of step 3.
    in_a_pour_of(3)
    slept = asleep(guest, monitor, lambda: maker.slips(1.5))
    if slept:
        maker.hears("The tare must be seen again")
    maker.until(lambda now: now == "done" or now.startswith("Done"))
    assert property_of(guest, "MainPID") == pid
    logs = f"{HOME}/.local/share/bismar/logs"
    log = guest.run(f"cat {logs}/*.csv")
    guest.run(f"maker bismar log verify $(echo {logs}/*.csv)")
    worst = judge(maker, log)
    sleep = ", asleep for 5 s" if slept else ""
    return {
        "fault": "service of an ordinary user, closed in, in a virtual machine",
        "how": "systemd --user of a Debian with closed-in.conf and local-page.conf, the emulated USB adapter; in one batch "
        f"killed in a pour, started anew with a configuration that does not read, stopped until the watchdog ends it{sleep}",
        "cases": "1 batch of 3 steps",
        "holds": "it runs again by itself each time and the batch goes on, the page answers, the wrong configuration is "
        "named in the status, no weight is off by more than its U, the batch ends complete",
        "measured": f"started in {started:.1f} s; {hung:.0f} s from hung to running again; largest error {worst:.2f} U",
    }, maker


main(
    play,
    "maker systemctl --user status bismar --no-pager -l; journalctl --no-pager -n 60",
    memory=1536,
    more="systemd.show_status=0",
)
