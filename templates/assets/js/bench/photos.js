// Photos are made small on the tablet: a canvas of at most 1600 px, which also drops place and camera data.

const LONGEST_PX = 1600;
const QUALITY = 0.82;
const MEDIA = "image/jpeg";
export const MOST_PHOTOS = 6;

/** {bytes, media, url} of a picture file; throws an Error with one line for the person. */
export async function shrink(file) {
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    throw new Error(`“${file.name}” is no picture that this tablet can read: take or choose a JPEG or PNG.`);
  }
  const scale = Math.min(1, LONGEST_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const blob = await new Promise((resolve) => canvas.toBlob(resolve, MEDIA, QUALITY));
  if (!blob) throw new Error(`“${file.name}” could not be made smaller on this tablet.`);
  return { bytes: await blob.arrayBuffer(), media: MEDIA, url: URL.createObjectURL(blob) };
}
