// Asks the program and tells what it answers; every write carries the page's token.

const token = document.querySelector('meta[name="window-token"]').content;

export async function ask(address, options = {}) {
  const answer = await fetch(address, {
    ...options,
    headers: { Accept: "application/json", ...options.headers },
  });
  const found = await answer.json().catch(() => ({ error: "The program gave no answer." }));
  if (!answer.ok) throw new Error(found.error ?? "The program refused.");
  return found;
}

export function write(address, fields) {
  return ask(address, {
    method: "POST",
    body: new URLSearchParams(fields),
    headers: { "X-Window-Token": token },
  });
}

export function send(address, file, headers) {
  return ask(address, {
    method: "POST",
    body: file,
    headers: { "X-Window-Token": token, "Content-Type": "application/octet-stream", ...headers },
  });
}

export function words(error) {
  return error instanceof TypeError
    ? "The program does not answer; it may have been closed. Start it again with: landing-analysis open"
    : error.message;
}
