// The page's WebSocket: snapshots and replies in, asks out. Redials for ever; never keeps an ask for later.

const REDIAL_MS = 500;

export class Link {
  #socket = null;
  #hooks;

  /** hooks: snapshot(document), reply(document), down(). */
  constructor(hooks) {
    this.#hooks = hooks;
    this.dial();
  }

  /** Drop the connection that is, and start another. An abandoned one is not listened to any more. */
  dial() {
    const before = this.#socket;
    this.#socket = null;
    before?.close();
    const socket = new WebSocket(`ws://${location.host}/live`);
    this.#socket = socket;
    socket.onmessage = (event) => {
      if (socket === this.#socket) this.#take(JSON.parse(event.data));
    };
    socket.onclose = () => {
      if (socket !== this.#socket) return;
      this.#socket = null;
      this.#hooks.down();
      setTimeout(() => this.#socket ?? this.dial(), REDIAL_MS);
    };
  }

  /** Send an ask now; false when it can't be. */
  ask(message) {
    if (this.#socket?.readyState !== WebSocket.OPEN) return false;
    this.#socket.send(JSON.stringify(message));
    return true;
  }

  #take(document) {
    if (document.kind === "snapshot") {
      this.#hooks.snapshot(document);
      this.ask({ seen: document.seq }); // after drawing: so that the next one is sent only to a page that keeps up
    } else if (document.kind === "reply") {
      this.#hooks.reply(document);
    }
  }
}
