"""A clip whose every frame's time is known: encoded by the browser, put into a WebM file here.

Matroska as in RFC 9559; WebM is its subset (webmproject.org, container guidelines). Times are whole
milliseconds, as the container's default clock of 1,000,000 ns ticks.
"""

import base64

ENCODE = """async ({count, width, height}) => {
    const chunks = [];
    const encoder = new VideoEncoder({
        output: (chunk) => {
            const bytes = new Uint8Array(chunk.byteLength);
            chunk.copyTo(bytes);
            chunks.push([chunk.type === "key", btoa(String.fromCharCode(...bytes))]);
        },
        error: (error) => { throw error; },
    });
    encoder.configure({codec: "vp8", width, height, bitrate: 200000});
    const canvas = new OffscreenCanvas(width, height);
    const brush = canvas.getContext("2d");
    for (let index = 0; index < count; index += 1) {
        brush.fillStyle = `hsl(${(index * 47) % 360} 80% 50%)`;
        brush.fillRect(0, 0, width, height);
        brush.fillStyle = "#fff";
        brush.fillRect((index * 7) % width, 0, 6, height);
        const frame = new VideoFrame(canvas, {timestamp: index * 33000});
        encoder.encode(frame, {keyFrame: index % 10 === 0});
        frame.close();
    }
    await encoder.flush();
    return chunks;
}"""


def _size(number):
    return (number | 1 << 56).to_bytes(8, "big")


def _element(key, content):
    return bytes.fromhex(key) + _size(len(content)) + content


def _number(key, value):
    return _element(key, value.to_bytes(max(1, (value.bit_length() + 7) // 8), "big"))


def webm(chunks, times_ms, width, height):
    """The file, with frame k shown at times_ms[k]."""
    header = _element("1A45DFA3", b"".join([
        _number("4286", 1), _number("42F7", 1), _number("42F2", 4), _number("42F3", 8), _element("4282", b"webm"),
        _number("4287", 2), _number("4285", 2),
    ]))  # fmt: skip
    info = _element("1549A966", _number("2AD7B1", 1_000_000) + _element("4D80", b"test") + _element("5741", b"test"))
    video = _element("E0", _number("B0", width) + _number("BA", height))
    track = _element("AE", b"".join([
        _number("D7", 1), _number("73C5", 1), _number("83", 1), _element("86", b"V_VP8"), video,
    ]))  # fmt: skip
    clusters = []
    for (is_key, data), time_ms in zip(chunks, times_ms, strict=True):
        block = b"\x81" + (0).to_bytes(2, "big") + (b"\x80" if is_key else b"\x00") + data
        clusters.append(_element("1F43B675", _number("E7", time_ms) + _element("A3", block)))
    return header + _element("18538067", info + _element("1654AE6B", track) + b"".join(clusters))


_encoded = {}
"""By width and height, the longest clip that was encoded: the first frames of it are a shorter one."""


def make(page, times_ms, width=160, height=120):
    """A clip with one frame at each of these times, made with the page's own encoder."""
    count, size = len(times_ms), (width, height)
    if len(_encoded.get(size, [])) < count:
        _encoded[size] = page.evaluate(ENCODE, {"count": count, "width": width, "height": height})
    chunks = [(is_key, base64.b64decode(data)) for is_key, data in _encoded[size][:count]]
    return webm(chunks, times_ms, width, height)
