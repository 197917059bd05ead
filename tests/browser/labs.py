"""Starting a JupyterLab and a Chromium of one's own, on the loopback address, with folders that go away afterwards."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

CHROMIUM = os.environ.get("AVOIDKIT_CHROMIUM", "/usr/bin/chromium")
TOKEN = "loopback-only"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
]
ROOT = Path(__file__).resolve().parents[2]


@contextlib.contextmanager
def running_lab(home):
    """A JupyterLab below `home` that serves copies of the kit's notebooks and data: (address, folder it serves)."""
    work = home / "work"
    for name in ("notebooks", "data"):
        shutil.copytree(ROOT / name, work / name)
    _write_settings(home / "settings")
    port = _free_port()
    with (home / "err").open("w") as errors:
        server = subprocess.Popen(_lab_command(home, work, port), env=_lab_environment(home), stderr=errors)
    try:
        _wait_until_up(f"http://127.0.0.1:{port}/api/status?token={TOKEN}", server, home / "err")
        yield f"http://127.0.0.1:{port}", work
    finally:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(15)
        except subprocess.TimeoutExpired:
            server.kill()


def _write_settings(settings):
    """All cells stay in the page (out of view they would be taken out, with the bench); nobody asks about news."""
    texts = {
        "notebook-extension/tracker": '{"windowingMode": "none"}',
        "apputils-extension/notification": '{"fetchNews": "false", "checkForUpdates": false}',
    }
    for name, text in texts.items():
        file = settings / "@jupyterlab" / f"{name}.jupyterlab-settings"
        file.parent.mkdir(parents=True)
        file.write_text(text)


def _lab_command(home, work, port):
    return [
        *(sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}"),
        *(f"--IdentityProvider.token={TOKEN}", f"--ServerApp.root_dir={work}", "--ServerApp.allow_root=True"),
        *("--LabApp.news_url=", "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"),
        *("--LabApp.expose_app_in_browser=True", "--ServerApp.port_retries=0"),
        *(f"--LabApp.user_settings_dir={home}/settings", f"--LabApp.workspaces_dir={home}/workspaces"),
    ]


def _lab_environment(home):
    folders = {f"JUPYTER_{kind}_DIR": str(home / kind.lower()) for kind in ("CONFIG", "RUNTIME", "DATA")}
    folders |= {"IPYTHONDIR": str(home / "ipython"), "HOME": str(home), "PYTHONPATH": str(ROOT)}
    return os.environ | folders  # loops stay cached beside the package: compiling them anew takes a minute


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _wait_until_up(address, server, errors, patience_s=180.0):
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if server.poll() is not None:
            raise RuntimeError(f"JupyterLab ended at once:\n{errors.read_text()[-2000:]}")
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.2)
    raise RuntimeError(f"JupyterLab did not answer within {patience_s} s:\n{errors.read_text()[-2000:]}")


def open_chromium(driver, profile, width, height, **options):
    """The first page of a Chromium with a fresh profile folder; what went wrong on it is kept in `troubles`."""
    context = driver.chromium.launch_persistent_context(
        str(profile), executable_path=CHROMIUM, args=FLAGS, viewport={"width": width, "height": height}, **options
    )
    page = context.pages[0]
    page.troubles, page.addresses = [], []
    page.on("pageerror", lambda error: page.troubles.append(f"page error: {error}"))
    page.on("requestfailed", lambda request: page.troubles.append(f"request failed: {request.url}"))
    page.on("console", lambda said: said.type == "error" and page.troubles.append(f"console: {said.text}"))
    page.on("request", lambda request: page.addresses.append(request.url))
    return page


def open_in_lab(page, address, name):
    """Open a notebook and wait until its kernel truly answers."""
    page.goto(f"{address}/lab/tree/{name}?token={TOKEN}&reset")
    page.wait_for_selector("#jupyterlab-splash", state="detached", timeout=60_000)
    page.wait_for_selector(".jp-NotebookPanel:not(.lm-mod-hidden) .jp-Notebook", timeout=60_000)
    page.evaluate("() => window.jupyterapp.shell.collapseLeft()")
    page.evaluate(_KERNEL_ANSWERS)


def run_all_cells(page):
    """Run every cell of the open notebook; `AssertionError` with what the errors say, short ones of ours among them."""
    page.evaluate(_RUN_ALL)
    errors = page.evaluate(_ERRORS)
    assert errors == [], "\n".join(errors)


def least_contrast(page, root):
    """The least contrast of any text that is seen below an element, and its words: (ratio, text)."""
    return page.evaluate(_LEAST_CONTRAST, root)


def shut_down(page):
    """End the kernel of the open notebook; one left over would be taken up again, with old modules, by the next."""
    page.evaluate(_SHUT_DOWN)


def write_notebook(path, *cells):
    """A notebook file of code cells."""
    import nbformat

    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(notebook, path)


_SHUT_DOWN = """() => Promise.race([
  window.jupyterapp.shell.currentWidget?.sessionContext?.shutdown(),
  new Promise((resolve) => setTimeout(resolve, 10000)),
])"""

# The circle in the tool bar is idle before a new kernel is connected: the kernel itself is asked.
_KERNEL_ANSWERS = """async () => {
  const late = new Promise((_, no) => setTimeout(() => no(new Error('the kernel did not answer in 120 s')), 120000));
  await Promise.race([late, answers()]);

  async function answers() {
    const context = window.jupyterapp.shell.currentWidget.sessionContext;
    await context.ready;
    const until = Date.now() + 60000;
    while (context.session?.kernel?.connectionStatus !== 'connected') {
      if (Date.now() > until) throw new Error('the kernel did not connect');
      await new Promise((resolve) => setTimeout(resolve, 100));
    }
    await context.session.kernel.info;
    await context.session.kernel.requestExecute({code: 'pass', silent: true}).done;
  }
}"""

# Of the notebook itself, not of the page: how an error is painted depends on what it says of itself.
_ERRORS = """() => window.jupyterapp.shell.currentWidget.content.model.toJSON().cells
  .flatMap((cell) => cell.outputs ?? [])
  .filter((output) => output.output_type === 'error')
  .map((output) => `${output.ename}: ${output.evalue}`)"""

_RUN_ALL = """() => Promise.race([
  window.jupyterapp.commands.execute('notebook:run-all-cells'),
  new Promise((_, no) => setTimeout(() => no(new Error('the cells did not end in 600 s')), 600000)),
])"""

# Relative luminance and contrast after WCAG 2.1 (from memory) of every text against what it stands on.
_LEAST_CONTRAST = """(root) => {
  const light = ([r, g, b]) => {
    const linear = [r, g, b].map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
  };
  const rgb = (text) => text.match(/[0-9.]+/g).map(Number);
  const holds = (element) => [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
  let least = [99, ''];
  for (const element of document.querySelectorAll(`${root} *`)) {
    if (!holds(element) || !element.checkVisibility() || ['SCRIPT', 'STYLE'].includes(element.tagName)) continue;
    let under = element;
    while (under && (rgb(getComputedStyle(under).backgroundColor)[3] ?? 1) === 0) under = under.parentElement;
    const back = under ? rgb(getComputedStyle(under).backgroundColor) : [255, 255, 255];
    const pair = [light(rgb(getComputedStyle(element).color)), light(back)].sort((a, b) => b - a);
    const ratio = (pair[0] + 0.05) / (pair[1] + 0.05);
    if (ratio < least[0]) least = [ratio, element.textContent.slice(0, 80)];
  }
  return least;
}"""
