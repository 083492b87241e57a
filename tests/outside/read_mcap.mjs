// Reads an MCAP file by npm's @mcap/core, by its index and as a stream; prints what it found as JSON.
//
//     node read_mcap.mjs FILE, with NODE_PATH-like node_modules beside it

import { McapIndexedReader, McapStreamReader } from "@mcap/core";
import { loadDecompressHandlers } from "@mcap/support";
import { FileHandleReadable } from "@mcap/nodejs";
import { createHash } from "node:crypto";
import { open, readFile } from "node:fs/promises";

const path = process.argv[2];
const decompressHandlers = await loadDecompressHandlers();

class Found {
  counts = {};
  #digests = {};
  #channels = new Map();

  channel(record) {
    this.#channels.set(record.id, record.topic);
  }

  message(record) {
    const topic = this.#channels.get(record.channelId);
    this.counts[topic] = (this.counts[topic] ?? 0) + 1;
    const digest = (this.#digests[topic] ??= createHash("sha256"));
    const time = Buffer.alloc(8);
    time.writeBigUInt64LE(record.logTime);
    digest.update(time).update(record.data);
  }

  done() {
    const entries = Object.entries(this.#digests);
    const digests = Object.fromEntries(entries.map(([topic, each]) => [topic, each.digest("hex")]));
    return { counts: this.counts, digests };
  }
}

async function indexed() {
  const handle = await open(path, "r");
  try {
    const readable = new FileHandleReadable(handle);
    const reader = await McapIndexedReader.Initialize({ readable, decompressHandlers });
    const found = new Found();
    for (const channel of reader.channelsById.values()) found.channel(channel);
    for await (const message of reader.readMessages()) found.message(message);
    const attachments = {};
    for await (const each of reader.readAttachments()) {
      attachments[each.name] = Buffer.from(each.data).toString("utf-8");
    }
    const metadata = [];
    for await (const each of reader.readMetadata()) {
      metadata.push([each.name, Object.fromEntries(each.metadata)]);
    }
    return { ...found.done(), attachments, metadata, library: reader.header.library };
  } finally {
    await handle.close();
  }
}

async function streamed() {
  const reader = new McapStreamReader({ decompressHandlers, validateCrcs: true });
  reader.append(await readFile(path));
  const found = new Found();
  for (let record; (record = reader.nextRecord()); ) {
    if (record.type === "Channel") found.channel(record);
    if (record.type === "Message") found.message(record);
  }
  return { ...found.done(), whole: reader.done() };
}

console.log(JSON.stringify({ indexed: await indexed(), streamed: await streamed() }));
