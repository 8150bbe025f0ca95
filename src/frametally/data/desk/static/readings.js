// What is read of a display, shown: on the photo that is marked on, and through the night.
import { make } from "./desk.js";

/** Put a reading into the editor; undefined while it is being read. */
export function showReading(editor, read) {
  const crop = editor.querySelector("#crop");
  if (read?.crop) crop.src = read.crop;
  crop.hidden = !read?.crop;
  editor.querySelector("#reads").textContent = read ? read.text || "–" : "";
  const chip = editor.querySelector("#surety");
  chip.className = `chip ${read?.level ?? ""}`;
  chip.hidden = !read;
  chip.textContent = read ? sureness(read) : "";
  editor.querySelector("#why").textContent = read ? [read.level === "sure" ? "" : read.why, rivals(read)].filter(Boolean).join(" ") : "";
}

/** Put empty places for so many frames; gives what fills one. */
export function showOthers(list, numbers) {
  list.replaceChildren(...numbers.map(() => make("li", { class: "waiting" })));
  return (place, read) => {
    const item = make(
      "li", { title: [read.frame, read.why, rivals(read)].filter(Boolean).join(" ") },
      read.crop ? make("img", { class: "crop", src: read.crop, alt: `The display in ${read.frame}` }) : null,
      make("b", {}, read.text || "–"),
      make("span", { class: `chip ${read.level}` }, read.said),
    );
    list.children[place]?.replaceWith(item);
  };
}

const percent = (share) => (share >= 0.995 ? "over 99 %" : `${Math.round(share * 100)} %`);
const sureness = (read) => (read.confidence > 0 && read.level !== "none" ? `${read.said}, ${percent(read.confidence)}` : read.said);
const rivals = (read) => (read.rivals?.length ? `It could also be ${read.rivals.join(" or ")}.` : "");
