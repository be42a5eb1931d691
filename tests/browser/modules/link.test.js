import { Elapsed, Link, SILENCE_MS, liveAddress, retryDelay } from "/static/link.js";
import { equal, ok, pause } from "./check.js";

class FakeSocket {
  static made = [];
  constructor(url) {
    this.url = url;
    this.closed = false;
    FakeSocket.made.push(this);
  }
  close() {
    this.closed = true;
  }
  say(message) {
    this.onmessage?.({ data: JSON.stringify(message) });
  }
}

function make() {
  FakeSocket.made = [];
  const clock = { now: 0 };
  const elapsed = () =>
    new Elapsed(
      () => clock.now,
      () => clock.now,
    );
  const link = new Link("ws://bench/live", { Socket: FakeSocket, elapsed });
  link.open();
  clearInterval(link.checker);
  return { link, clock, latest: () => FakeSocket.made[FakeSocket.made.length - 1] };
}

export const tests = {
  "a message makes the link live and its age nothing": () => {
    const { link, latest } = make();
    equal(link.ageMs(), Infinity);
    latest().say({ kind: "hello" });
    equal([link.state, link.ageMs()], ["live", 0]);
    link.close();
  },
  "silence is a lost link, though the socket still believes": () => {
    const { link, clock, latest } = make();
    latest().say({ kind: "hello" });
    const socket = latest();
    clock.now = SILENCE_MS + 1;
    link.check();
    equal(link.state, "lost");
    ok(socket.closed, "the silent socket is dropped");
    link.close();
  },
  "with its check the link is told lost in under 2 s": () => ok(SILENCE_MS + 200 < 2000),
  "a lost link tries again by itself": async () => {
    const { link, latest } = make();
    latest().say({ kind: "hello" });
    latest().onclose();
    equal(link.state, "lost");
    await pause(retryDelay(0) + 100);
    equal(FakeSocket.made.length, 2);
    latest().say({ kind: "hello" });
    equal(link.state, "live");
    link.close();
  },
  "a try that is still young is not given up": () => {
    const { link, clock, latest } = make();
    latest().say({ kind: "hello" });
    clock.now = 10_000;
    link.tried.restart();
    link.check();
    equal(link.state, "lost");
    ok(!latest().closed, "the young try goes on");
    link.close();
  },
  "a screen that wakes replaces a stale link at once": async () => {
    const { link, clock, latest } = make();
    latest().say({ kind: "hello" });
    clock.now = 60_000;
    link.wake();
    equal(link.state, "lost");
    await pause(30);
    equal(FakeSocket.made.length, 2);
    link.close();
  },
  "a screen that wakes with a fresh link keeps it": () => {
    const { link, clock, latest } = make();
    latest().say({ kind: "hello" });
    clock.now = 500;
    link.wake();
    equal([FakeSocket.made.length, link.state], [1, "live"]);
    link.close();
  },
  "a word of a dropped socket changes nothing": () => {
    const { link, clock, latest } = make();
    const old = latest();
    old.say({ kind: "hello" });
    clock.now = SILENCE_MS + 1;
    link.check();
    old.say({ kind: "health" });
    equal(link.state, "lost");
    link.close();
  },
  "nonsense is not taken for a sign of life": () => {
    const { link, latest } = make();
    latest().onmessage({ data: "<html>" });
    equal(link.everHeard, false);
    link.close();
  },
  "waiting grows, and ends at a second and a half": () =>
    equal([0, 1, 2, 3, 50].map(retryDelay), [200, 400, 800, 1500, 1500]),
  "sleep counts, though the monotonic clock stood still": () => {
    const wall = { now: 0 };
    const elapsed = new Elapsed(
      () => 0,
      () => wall.now,
    );
    wall.now = 5000;
    equal(elapsed.ms(), 5000);
  },
  "a wall clock set back makes nothing young": () => {
    const clocks = { wall: 10_000, own: 0 };
    const elapsed = new Elapsed(
      () => clocks.own,
      () => clocks.wall,
    );
    clocks.wall = 0;
    clocks.own = 3000;
    equal(elapsed.ms(), 3000);
  },
  "a page over TLS speaks over TLS": () =>
    equal(liveAddress({ protocol: "https:", host: "shop.local:8720" }), "wss://shop.local:8720/live"),
};
