// The token: taken from behind the hash of the address, or asked for; given once for a cookie.

const $ = (id) => document.getElementById(id);

/** Give the token; returns whether it was the right one. */
async function give(token) {
  const answer = await fetch("/session", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ token }),
  });
  return answer.ok;
}

/** Give the token in the address, if there is one, and take it out of the address. */
export async function giveFromAddress() {
  const token = new URLSearchParams(location.hash.slice(1)).get("token");
  if (!token) return;
  history.replaceState(null, "", location.pathname);
  try {
    await give(token);
  } catch {
    // No contact yet: it is asked for when the station is there.
  }
}

/** Ask for the token; `onOpen` is called once it was the right one. */
export function askForToken(onOpen) {
  $("door").hidden = false;
  $("board").hidden = true;
  $("token").focus();
  $("door").onsubmit = async (event) => {
    event.preventDefault();
    let right = false;
    try {
      right = await give($("token").value.trim());
    } catch {
      $("door-says").textContent = "No contact with the station.";
      return;
    }
    $("door-says").textContent = right ? "" : "This is not the token.";
    if (!right) return;
    $("token").value = "";
    $("door").hidden = true;
    $("board").hidden = false;
    onOpen();
  };
}
