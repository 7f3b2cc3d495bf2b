// Takes the face pictures once and keeps them for the other views on the page, under their content's name.
export default function ({ data }) {
  const kept = (globalThis.grainmatchPictures ??= new Map());
  for (const [key, url] of Object.entries(data.pictures)) kept.set(key, url);
  window.dispatchEvent(new Event("grainmatch-pictures"));
}
