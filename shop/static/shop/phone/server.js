// Talks to the shop's server. A request without an answer of the shop throws Unreachable.

const PATIENCE_MS = 20_000;
// A photo may take longer: as long as it needs at 16 kbit/s. Our choice, no source.
const SLOWEST_BYTES_PER_MS = 2;
const at = document.body.dataset;

export class Unreachable extends Error {}

const csrfToken = () => /(?:^|; )csrftoken=([^;]*)/.exec(document.cookie)?.[1] ?? "";

async function ask(address, options = {}) {
  let answer;
  let body;
  try {
    answer = await fetch(address, {
      credentials: "same-origin",
      cache: "no-store",
      redirect: "error",
      signal: AbortSignal.timeout(PATIENCE_MS),
      ...options,
    });
    // A network with a sign-in page of its own answers in the shop's place, but not in our JSON.
    body = (await answer.json()) ?? {};
  } catch (error) {
    throw new Unreachable(error.message);
  }
  return { status: answer.status, body };
}

// Who is signed in ({ person, is_technician, now }), with the CSRF token of this sign-in: the
// server makes a new one at each, so nothing is ever sent with it under another person's name.
export async function session() {
  const before = csrfToken();
  const { status, body } = await ask(at.session);
  if (status !== 200 || !Date.parse(body.now)) throw new Unreachable(`status ${status}`);
  return { ...body, token: before || csrfToken() };
}

// End the session; true when the shop says that nobody is signed in any more. The answer itself is a page for people.
export async function signOut() {
  const options = { method: "POST", redirect: "manual", headers: { "X-CSRFToken": csrfToken() } };
  await fetch(at.signOut, { ...options, signal: AbortSignal.timeout(PATIENCE_MS) }).catch(() => {});
  return session().then(({ person }) => person === null, () => false);
}

// Who closed a job, when, and what it took.
export const standingClose = (job) => ask(`${at.standing}?${new URLSearchParams({ job })}`);

export const bundle = () => ask(at.bundle);

// An answer has no id of its own: its question has one answer, and the same answer twice counts once.
const addressOf = ({ kind, id, question }) =>
  kind === "answer" ? `/api/v1/findings/${question}/answer` : `/api/v1/${kind}s/${encodeURIComponent(id)}`;

export const putEntry = (entry, token) =>
  ask(addressOf(entry), {
    method: "PUT",
    headers: { "Content-Type": "application/json", "X-CSRFToken": token },
    body: JSON.stringify(entry.body),
  });

export const getEntry = (entry) => ask(addressOf(entry));

export const putPhoto = (photo, token) =>
  ask(`${at.photos}${photo.id}/?${new URLSearchParams({ job: photo.job, moment: photo.moment })}`, {
    method: "PUT",
    headers: { "Content-Type": "image/jpeg", "X-CSRFToken": token },
    body: photo.blob,
    signal: AbortSignal.timeout(PATIENCE_MS + photo.blob.size / SLOWEST_BYTES_PER_MS),
  });
