// A line between the browser and the daemon that can be cut.
//
// Input: the address of a daemon (or of the mock). Output: a proxy with `cut()`, which ends every
// connection and takes no new one, and `mend()`. So the loss and return of a daemon can be tested
// without stopping it. It presents itself to the daemon under the daemon's own name.

import { createServer, request as ask } from 'node:http';

export async function startProxy(target) {
  const to = new URL(target);
  const sockets = new Set();
  const create = () =>
    createServer((request, response) => {
      const headers = { ...request.headers, host: to.host };
      if (headers.origin) headers.origin = to.origin;
      const onward = ask(
        { host: to.hostname, port: to.port, path: request.url, method: request.method, headers },
        (answer) => {
          response.writeHead(answer.statusCode, answer.headers);
          answer.pipe(response);
          answer.on('error', () => response.destroy());
        },
      );
      onward.on('error', () => response.destroy());
      response.on('close', () => onward.destroy());
      request.pipe(onward);
    }).on('connection', (socket) => {
      sockets.add(socket);
      socket.on('close', () => sockets.delete(socket));
    });
  const listen = (server, port) =>
    new Promise((done) => {
      server.listen(port, '127.0.0.1', () => done(server));
    });
  let server = await listen(create(), 0);
  const { port } = server.address();
  return {
    url: `http://127.0.0.1:${port}`,
    async cut() {
      const closed = new Promise((done) => {
        server.close(done);
      });
      for (const socket of sockets) socket.destroy();
      await closed;
    },
    async mend() {
      server = await listen(create(), port);
    },
    close() {
      for (const socket of sockets) socket.destroy();
      server.close();
    },
  };
}
