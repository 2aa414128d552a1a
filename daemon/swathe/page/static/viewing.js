// The page of a finished survey: the page of a run without what only a run has. The server says so
// in the document itself, so that nothing is shown first and removed later.

/** Whether this page is of a finished survey, and has no commands. */
export const viewing = "view" in document.documentElement.dataset;

/** Remove what only a run has, and name what remains for what it is. */
export function leaveOutRun() {
  if (!viewing) return;
  const board = document.getElementById("gaps");
  board.append(document.getElementById("revisions"));
  for (const part of document.querySelectorAll("[data-live], [data-command], [data-now], dialog")) part.remove();
  for (const part of document.querySelectorAll("[data-word]")) part.textContent = part.dataset.word;
}
