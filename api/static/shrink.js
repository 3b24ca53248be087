// Makes a photograph no larger than it is kept by the server before it is kept here and sent: a camera's own is ten times
// as long on its way. What cannot be made smaller here is sent as it is.
const LONGEST_PX = 2000; // as api/photos.py has it
const QUALITY = 0.9; // it is encoded once more there
const made = new WeakMap(); // of files, so that it is begun as soon as one is chosen

async function smaller(file) {
  const canvas = document.createElement("canvas");
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  try {
    const scale = LONGEST_PX / Math.max(picture.width, picture.height);
    if (scale >= 1) return file;
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    const pen = canvas.getContext("2d");
    pen.imageSmoothingQuality = "high";
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  } finally {
    picture.close(); // some 50 MB, which would else wait for the collector
  }
  const blob = await new Promise((resolve) => { canvas.toBlob(resolve, "image/jpeg", QUALITY); });
  if (!blob || blob.size >= file.size) return file;
  return new File([blob], file.name.replace(/\.\w+$/, "") + ".jpg", { type: blob.type, lastModified: file.lastModified });
}

export function shrunk(file) {
  if (!made.has(file)) made.set(file, smaller(file).catch(() => file));
  return made.get(file);
}

// The photographs among the fields of a form; whole where the place in them is to be kept, which a smaller one has lost.
export async function shrinkPhotos(fields) {
  if (fields.get("photo_place")) return;
  for (const [name, value] of [...fields]) if (value instanceof File) fields.set(name, await shrunk(value));
}
