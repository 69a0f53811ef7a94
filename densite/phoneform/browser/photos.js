// Photographs made small, upright and without anything but the picture: drawn anew, so no metadata can come along.

const PHOTO_LONGEST = 1600;
const PHOTO_MOST_BYTES = 60e6; // of the file: more is no phone's photograph
const PHOTO_MOST_PIXELS = 120e6; // decoded at 4 bytes each: 480 MB, about what a phone's browser still bears
const PHOTO_QUALITY = 0.85;

class PhotoError extends Error {}

// The key of what is said of a photograph that could not be added: it could not be made small, or not be kept.
function photoTrouble(error) {
  return error instanceof PhotoError ? error.message : "photo.no_room";
}

// A JPEG of at most 1600 px on its longest side. Fails with a PhotoError whose message is a key of the words.
async function shrunk(file) {
  if (file.size > PHOTO_MOST_BYTES) throw new PhotoError("photo.too_big");
  const size = photoSize(new DataView(await file.slice(0, 1 << 20).arrayBuffer()));
  if (size && size[0] * size[1] > PHOTO_MOST_PIXELS) throw new PhotoError("photo.too_big");
  const address = URL.createObjectURL(file);
  try {
    return await photoJpeg(photoCanvas(await photoImage(address)));
  } finally {
    URL.revokeObjectURL(address);
  }
}

// Width and height by a JPEG's frame header or a PNG's first chunk (ITU-T T.81, W3C PNG), before anything is decoded;
// null for other formats, which the browser bounds itself.
function photoSize(view) {
  if (view.byteLength > 24 && view.getUint32(0) === 0x89504e47) return [view.getUint32(16), view.getUint32(20)];
  if (view.byteLength < 4 || view.getUint16(0) !== 0xffd8) return null;
  let place = 2;
  while (place + 9 < view.byteLength && view.getUint8(place) === 0xff) {
    const marker = view.getUint8(place + 1);
    const frame = marker >= 0xc0 && marker <= 0xcf && ![0xc4, 0xc8, 0xcc].includes(marker);
    if (frame) return [view.getUint16(place + 7), view.getUint16(place + 5)];
    place += 2 + view.getUint16(place + 2);
  }
  return null;
}

// An image element turns a picture as its EXIF orientation says (CSS Images Level 3, image-orientation: from-image).
async function photoImage(address) {
  const image = new Image();
  image.src = address;
  try {
    await image.decode();
  } catch (error) {
    throw new PhotoError("photo.unreadable");
  }
  return image;
}

function photoCanvas(image) {
  const [width, height] = [image.naturalWidth, image.naturalHeight];
  if (!width || !height) throw new PhotoError("photo.unreadable");
  if (width * height > PHOTO_MOST_PIXELS) throw new PhotoError("photo.too_big");
  const scale = Math.min(1, PHOTO_LONGEST / Math.max(width, height));
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [width, height].map((side) => Math.max(1, Math.round(side * scale)));
  const pen = canvas.getContext("2d");
  pen.fillStyle = "#fff"; // JPEG knows no transparency
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.imageSmoothingQuality = "high";
  pen.drawImage(image, 0, 0, canvas.width, canvas.height);
  return canvas;
}

function photoJpeg(canvas) {
  return new Promise((resolve, reject) => {
    const done = (blob) => {
      [canvas.width, canvas.height] = [0, 0]; // some phones free a canvas's memory only so
      if (blob) resolve(blob.arrayBuffer().then((made) => photoBare(new Uint8Array(made))));
      else reject(new PhotoError("photo.unreadable"));
    };
    canvas.toBlob(done, "image/jpeg", PHOTO_QUALITY);
  });
}

// Browsers write a colour profile, some an EXIF block of their own, into what they encode: all application segments
// and comments go but JFIF's and Adobe's, which say how the colours are coded (ITU-T T.81, annex B).
function photoBare(bytes) {
  const view = new DataView(bytes.buffer);
  const kept = [bytes.subarray(0, 2)];
  let place = 2;
  while (place + 4 <= bytes.length && bytes[place] === 0xff && bytes[place + 1] !== 0xda) {
    const [marker, next] = [bytes[place + 1], place + 2 + view.getUint16(place + 2)];
    const extra = marker === 0xfe || (marker > 0xe0 && marker < 0xf0 && marker !== 0xee);
    if (!extra) kept.push(bytes.subarray(place, next));
    place = next;
  }
  return new Blob([...kept, bytes.subarray(place)], {type: "image/jpeg"});
}
