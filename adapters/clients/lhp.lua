-- Sends an emulator's RAM to lowhalf (LHP/1).  One file, Lua 5.1 to 5.4, no dependency: copy it.
--
--   local lhp = dofile("lhp.lua")
--   local client = assert(lhp.connect("127.0.0.1", 7364, {        -- needs LuaSocket
--     base = 0x80000000, size = 0x400000, name = "my pier",
--     byte = function(address) return memory_byte(address) end,   -- a byte of RAM, 0 to 255
--   }))
--   -- once a frame, from the emulator's frame callback:
--   local ok, reason = client:frame(frame_number)
--   if not ok then -- not welcome yet, or lost: connect again when client.lost is set
--   end
--
-- Without LuaSocket give lhp.new two functions of your own instead of a host and a port:
--   send(bytes)   sends all bytes, gives true, or nil and a reason
--   receive()     gives the bytes that have come, "" where there are none, without waiting;
--                 nil and a reason where the connection is lost
--
-- Instead of `byte` give `read(address, length)` where the emulator reads whole strings: faster.
-- `order` says how these give the bytes: 0 as the guest sees them (the default), 1 with the bytes
-- of each 16-bit word swapped, 2 with those of each 32-bit word reversed, 3 with the halves of each
-- 32-bit word swapped.  Only what lowhalf wants is sent: the lines that the watches touch.

local lhp = {}

local char, floor = string.char, math.floor
local concat = table.concat
local unpack = table.unpack or unpack

local MOST_RANGES = 4096
local LONGEST = 1048576

local function u16(n)
  return char(floor(n / 256) % 256, n % 256)
end

local function u32(n)
  return char(floor(n / 16777216) % 256, floor(n / 65536) % 256, floor(n / 256) % 256, n % 256)
end

local function number_at(bytes, at, length)
  local n = 0
  for i = at, at + length - 1 do
    n = n * 256 + bytes:byte(i)
  end
  return n
end

local function message(kind, payload)
  return "LH" .. char(1, kind) .. u32(#payload) .. payload
end

local function reader_of(byte)
  return function(address, length)
    local parts, values = {}, {}
    for at = 0, length - 1, 256 do
      local count = math.min(256, length - at)
      for i = 1, count do
        values[i] = byte(address + at + i - 1)
      end
      parts[#parts + 1] = char(unpack(values, 1, count))
    end
    return concat(parts)
  end
end

local Client = {}
Client.__index = Client

-- Options: base, size, send, receive, and read or byte; if wished order, name, token.
-- Says HELLO; gives the client, or nil and a reason.
function lhp.new(options)
  local name, token = options.name or "", options.token or ""
  if #name > 64 or #token > 64 then
    return nil, "expected a name and a token of at most 64 bytes"
  end
  local client = setmetatable({
    base = options.base,
    send = options.send,
    receive = options.receive,
    read = options.read or reader_of(options.byte),
    welcome = false, -- true once lowhalf has accepted the session
    lost = nil, -- why the session is over
    refusal = nil, -- the text of the newest refusal of a single frame
    wanted = {}, -- { address, length } pairs
    longest = LONGEST,
    received = "",
  }, Client)
  local hello = u32(options.base) .. u32(options.size) .. char(options.order or 0, 0)
    .. u16(#name) .. name .. u16(#token) .. token
  if not client:_send(0x01, hello) then
    return nil, client.lost
  end
  return client
end

-- Connects with LuaSocket; options as for lhp.new without send and receive.
function lhp.connect(host, port, options)
  local there, socket = pcall(require, "socket")
  if not there then
    return nil, "LuaSocket is not here: give lhp.new a send and a receive"
  end
  local connection, reason = socket.tcp()
  if not connection then
    return nil, reason
  end
  connection:settimeout(5)
  local connected
  connected, reason = connection:connect(host, port)
  if not connected then
    connection:close()
    return nil, reason
  end
  connection:setoption("tcp-nodelay", true)
  local with = {}
  for key, value in pairs(options) do
    with[key] = value
  end
  with.send = function(bytes)
    connection:settimeout(5)
    return connection:send(bytes)
  end
  with.receive = function()
    connection:settimeout(0)
    local bytes, why, partial = connection:receive(65536)
    if bytes then
      return bytes
    end
    if why == "timeout" or (partial and #partial > 0) then
      return partial or ""
    end
    return nil, why
  end
  local client
  client, reason = lhp.new(with)
  if not client then
    connection:close()
    return nil, reason
  end
  client._close = function()
    -- answers that were left unread would have the system take back what was sent
    connection:shutdown("send")
    connection:settimeout(1)
    repeat
      local _, why = connection:receive(65536)
    until why
    connection:close()
  end
  return client
end

-- Sends a frame's wanted bytes; gives true, or nil and a reason.
function Client:frame(number)
  if not self:poll() then
    return nil, self.lost
  end
  if not self.welcome then
    return nil, "not welcome yet"
  end
  local most = self.longest - 16
  local heads, parts, room, count = {}, {}, self.longest - 8, 0
  local function flush(more)
    local payload = u32(number % 4294967296) .. char(more and 1 or 0, 0) .. u16(count)
      .. concat(heads) .. concat(parts)
    heads, parts, room, count = {}, {}, self.longest - 8, 0
    return self:_send(0x02, payload)
  end
  local function add(address, length)
    if count > 0 and (room < 8 + length or count == MOST_RANGES) and not flush(true) then
      return false
    end
    count = count + 1
    room = room - 8 - length
    heads[count] = u32(address) .. u32(length)
    local bytes = self.read(address, length)
    if #bytes ~= length then
      error(("0x%08X: expected %d bytes, found %d"):format(address, length, #bytes))
    end
    parts[count] = bytes
    return true
  end
  for _, range in ipairs(self.wanted) do
    for at = 0, range[2] - 1, most do
      if not add(range[1] + at, math.min(most, range[2] - at)) then
        return nil, self.lost
      end
    end
  end
  if count == 0 then
    -- a frame cannot be empty: until something is wanted, one byte says that it is there
    add(self.base, 1)
  end
  if not flush(false) then
    return nil, self.lost
  end
  return true
end

-- Takes in what lowhalf has said, without waiting; frame does this by itself.
function Client:poll()
  while not self.lost do
    local bytes, reason = self.receive()
    if not bytes then
      self.lost = reason or "closed"
    elseif bytes == "" then
      return true
    else
      self.received = self.received .. bytes
      self:_take()
    end
  end
  return nil, self.lost
end

-- Says BYE and closes, at most a second later.
function Client:close()
  if not self.lost then
    self:_send(0x05, "")
    self.lost = "closed"
  end
  if self._close then
    self._close()
  end
end

function Client:_take()
  local received, at = self.received, 1
  while #received - at + 1 >= 8 do
    local length = number_at(received, at + 4, 4)
    if received:sub(at, at + 2) ~= "LH\1" or length > LONGEST then
      self.lost = "what answers is not lowhalf"
      return
    end
    if #received - at + 1 < 8 + length then
      break
    end
    local kind, from = received:byte(at + 3), at + 8
    at = from + length
    if kind == 0x81 or kind == 0x82 then
      self.longest = number_at(received, from, 4)
      local wanted = {}
      for i = 1, number_at(received, from + 4, 2) do
        local range = from + 6 + (i - 1) * 8
        wanted[i] = { number_at(received, range, 4), number_at(received, range + 4, 4) }
      end
      self.wanted, self.welcome = wanted, true
    elseif kind == 0x8F then
      self.refusal = received:sub(from + 3, at - 1)
      if received:byte(from + 2) ~= 0 then
        self.lost = self.refusal
        return
      end
    end
  end
  self.received = received:sub(at)
end

function Client:_send(kind, payload)
  local sent, reason = self.send(message(kind, payload))
  if not sent then
    self.lost = reason or "closed"
  end
  return sent
end

return lhp
