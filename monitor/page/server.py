"""The live page as a best-effort sink: a web server in a thread of its own, with its own event loop.

The daemon starts it, wakes it when something was committed, and stops it. It never makes the daemon wait: `wake` sets a
flag, and a port in use or an unreadable password is only a trouble that is shown and tried again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import resource
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from monitor.config.rules import here_only
from monitor.host.heartbeat import working
from monitor.host.secret import SecretError, secret
from monitor.host.time_zone import display
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings

if TYPE_CHECKING:
    import uvicorn

    from monitor.page.for_programs import Posted
    from monitor.page.live import Live
    from monitor.page.other_jars import OtherJarView
    from monitor.page.readers import Readers
    from monitor.page.sessions import Seal
    from monitor.page.settings_form import ConfigFile

log = logging.getLogger(__name__)

KEPT_FREE = 128  # descriptors, half of what `connections` reserves
UNREAD_MS = 30_000  # after that, an answer that nobody reads ends its connection
AGAIN_S = 10.0  # until a taken port or a missing password is tried again
STOP_S = 5.0
BEAT_S = 10.0
KEY = "page key"


class PageServer:
    """[page] as a sink."""

    advice = "Watching continues, and the page is tried again; if this persists, check [page] in the config."

    def __init__(
        self,
        settings: Settings,
        wall: Callable[[], float] = time.time,
        posted: Posted | None = None,
        file: ConfigFile | None = None,
        others: Callable[[], Sequence[OtherJarView]] | None = None,
    ) -> None:
        """`posted` takes the readings that boards post; None where none may be. `file` is where settings are changed;
        None where they are not. `others` are the jars of other daemons; None where they are not shown."""
        self._settings = settings
        self._posted = posted
        self._file = file
        self._others = others
        self._wall = wall
        self._trouble: str | None = None
        self._unwritten: str | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._live: Live | None = None
        self._server: uvicorn.Server | None = None
        self._slow: Readers | None = None

    def start(self) -> None:
        """Begin to serve, as soon as its libraries are loaded."""
        self._thread.start()

    def wake(self) -> None:
        """Something was committed or decided: update the pages."""
        self._in_loop(lambda: self._live.wake() if self._live else None)

    def stop(self) -> None:
        """Stop; open pages reconnect by themselves when there is a server again."""
        self._stop.set()
        self._in_loop(self._end)
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def trouble(self) -> str | None:
        """One sentence when the page is not served."""
        return self._trouble

    def say_of_store(self, trouble: str | None) -> None:
        """Take from the daemon why nothing can be stored at present; None when it can."""
        if trouble != self._unwritten:
            self._unwritten = trouble
            self.wake()

    def _in_loop(self, call: Callable[[], object]) -> None:
        loop = self._loop
        if loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has just closed
                loop.call_soon_threadsafe(call)

    def _end(self) -> None:
        if self._slow is not None:
            self._slow.close()
        if self._server is not None:
            self._server.should_exit = True
        if self._live is not None:
            self._ending = asyncio.ensure_future(self._live.end())

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with _listening(self._settings) as listener:
                    asyncio.run(self._serve(listener))
                    return
            except (OSError, SecretError) as error:
                sentence = f"the page is not served: {error}"
                if sentence != self._trouble:
                    log.warning("%s", sentence)
                self._trouble = sentence
            except Exception as error:
                sentence = f"the page stopped on an internal error: {type(error).__name__}; the log has more"
                if sentence != self._trouble:
                    log.exception("the page has stopped")
                self._trouble = sentence
            finally:
                self._loop = self._live = self._server = self._slow = None
            self._stop.wait(AGAIN_S)

    async def _serve(self, listener: socket.socket) -> None:
        import uvicorn

        from monitor.page import connections, smoothed
        from monitor.page.app import Page, make
        from monitor.page.for_programs import ForPrograms
        from monitor.page.guide_files import GuideFiles
        from monitor.page.live import Live
        from monitor.page.lots import LotPaths
        from monitor.page.on_phones import OnPhones
        from monitor.page.other_jars import OtherJarsPath
        from monitor.page.readers import Readers
        from monitor.page.sessions import Seal
        from monitor.page.settings_paths import SettingsPaths

        page = self._settings.page
        password = secret(env=page.password_env, file=page.password_file, what="the password of the page")
        token = secret(env=page.token_env, file=page.token_file, what="the token of the page")
        path = self._settings.store.path
        readers = Readers(path)
        slow = Readers(path, workers=1, waiting=smoothed.WAITING, niceness=smoothed.NICENESS)
        show = display(self._settings.display)
        live = Live(self._settings, readers, self._wall, show, lambda: self._unwritten)
        seal = Seal(_key(self._settings), password, token)
        programs = ForPrograms(self._settings, readers, seal, self._wall, show, self._posted)
        chosen = SettingsPaths(self._settings, readers, self._wall, self._file)
        others = [*programs.routes(), *OnPhones(page, readers).routes(), *chosen.routes(), *GuideFiles().routes()]
        others += LotPaths(self._settings, readers, slow, self._wall, show).routes()
        if self._others is not None:
            others += OtherJarsPath(self._others, self._wall, show).routes()
        app = make(Page(self._settings, readers, slow, live, seal, self._wall, show), password, token, others)
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            ssl_certfile=page.cert_file,
            ssl_keyfile=None if page.key_file is None else str(page.key_file),
            **connections.limits(connections.most_connections(), page.proxies),
        )
        self._server, self._live, self._loop = uvicorn.Server(config), live, asyncio.get_running_loop()
        self._slow = slow
        self._trouble = None
        connections.log_seldom()
        log.info("the page is at %s", address(self._settings))
        if self._stop.is_set():
            return
        beating = asyncio.create_task(_beat())
        try:
            await self._server.serve(sockets=[listener])
        finally:
            beating.cancel()
            readers.close()
            slow.close()
            programs.close()


async def _beat() -> None:
    """Give signs of life, which a blocked event loop cannot."""
    with working() as on:
        while True:
            await asyncio.sleep(BEAT_S)
            on()


def address(settings: Settings) -> str:
    """Where a browser on this machine finds the page."""
    page = settings.page
    host = "localhost" if page.host in ("0.0.0.0", "::") else f"[{page.host}]" if ":" in page.host else page.host
    return f"http{'' if page.cert_file is None else 's'}://{host}:{page.port}{page.prefix}/"


class Listener(socket.socket):
    """A listening socket that immediately turns away what would take a descriptor that sources, store and notices need:
    with TLS, a client that does not even greet is not yet a connection that `connections` could count. The kernel gives
    the lowest free number, so the number says how many are taken."""

    def accept(self) -> tuple[socket.socket, Any]:
        """As socket.accept; ConnectionAbortedError for one that was turned away, which asyncio passes over."""
        soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        connection, address = super().accept()
        if soft != resource.RLIM_INFINITY and connection.fileno() >= soft - min(KEPT_FREE, soft // 4):
            connection.close()
            raise ConnectionAbortedError
        return connection, address


@contextlib.contextmanager
def _listening(settings: Settings) -> Iterator[socket.socket]:
    """The listening socket. Raises OSError that says what is in the way; refuses to listen to the network without a
    password or token, even where no config file was read."""
    page = settings.page
    locked = any((page.password_env, page.password_file, page.token_env, page.token_file))
    if not locked and not here_only(page.host):
        raise OSError(f"{page.host} can be reached from the network: set password_file in [page], or use 127.0.0.1")
    found = socket.getaddrinfo(page.host, page.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    with Listener(*found[:3]) as listener:  # its protocol as well, or asyncio leaves Nagle's 40 ms in each answer
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNREAD_MS)  # what it accepts has it as well
        try:
            listener.bind(found[4])
        except OSError as error:
            where = f"port {page.port} of {page.host}"
            raise OSError(f"{where}: {error.strerror}; set another port in [page]") from error
        yield listener


def seal_of(settings: Settings) -> Seal:
    """The seal that signs the page's addresses, the same in every process. Raises SecretError."""
    from monitor.page.sessions import Seal

    page = settings.page
    password = secret(env=page.password_env, file=page.password_file, what="the password of the page")
    token = secret(env=page.token_env, file=page.token_file, what="the token of the page")
    return Seal(_key(settings), password, token)


def button_of(settings: Settings, wall: Callable[[], float]) -> Callable[[str], str] | None:
    """A function that makes the address of a notice's button, which reports that a jar was fed; None where people
    cannot reach a page. Raises SecretError."""
    page = settings.page
    if not page.on or page.address is None or page.read_only:
        return None
    seal, begins = seal_of(settings), page.address.rstrip("/")
    return lambda jar: f"{begins}/fed/{seal.grant(jar, wall())}"


def _key(settings: Settings) -> str:
    """The key that signs sessions, kept in the store so that a restart signs nobody out."""
    try:
        with Store.join(settings.store.path) as store:
            key = store.meta(KEY)
            if key is None:
                key = secrets.token_hex(32)
                store.set_meta(KEY, key)
            return key
    except StoreTrouble:
        return secrets.token_hex(32)
