// The token: read from the address's fragment or from the form, and exchanged once for a cookie.

const $ = (id) => document.getElementById(id);

/** Send the token; returns whether the station accepted it. */
async function submit(token) {
  const answer = await fetch("/session", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ token }),
  });
  return answer.ok;
}

/** Send the token in the address, if there is one, and remove it from the address. */
export async function loginFromAddress() {
  const token = new URLSearchParams(location.hash.slice(1)).get("token");
  if (!token) return;
  history.replaceState(null, "", location.pathname);
  try {
    await submit(token);
  } catch {
    // No connection yet: the form appears once the station answers.
  }
}

/** Show the token form; `onOpen` is called once the station accepted the token. */
export function showLogin(onOpen) {
  $("login").hidden = false;
  $("board").hidden = true;
  $("token").focus();
  $("login").onsubmit = async (event) => {
    event.preventDefault();
    let accepted = false;
    try {
      accepted = await submit($("token").value.trim());
    } catch {
      $("login-message").textContent = "No connection to the station.";
      return;
    }
    $("login-message").textContent = accepted ? "" : "Wrong token.";
    if (!accepted) return;
    $("token").value = "";
    $("login").hidden = true;
    $("board").hidden = false;
    onOpen();
  };
}
